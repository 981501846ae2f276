"""A fleet for benches: a few simulated roofs, replicated cheaply.

Each *template* is one roof of 24 inputs at 5 minutes from the sample
generator, whose physics is independent of the rules, with its own weather
and faults. Its history goes through the real import, reduction and ledger
once; a site of the fleet is then a copy of that file under its own name,
coordinates and age, plus one new day of readings that is its own (scaled,
and now and then with a module that dies that day). So history is cheap to
make, and everything the night touches is real.
"""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd

from collectors.site import parse_site
from collectors.store import Store, day_bounds
from rules.daytable import layout_hash
from sample_logs.sim import faults as make
from sample_logs.sim.layout import Place, draw_layout
from sample_logs.sim.module import make_module
from sample_logs.sim.plant import World
from sample_logs.sim.site import SimSite, make_world, simulate
from sample_logs.sim.sky import make_sky
from sample_logs.sim.style import Style
from triage.check import note_look_back
from triage.fleet.reading import SUMMARY_KEY
from triage.nightly import check_site
from triage.workspace import Workspace

#: The new day of every fleet, and the time its night is run.
NEW_DAY = date(2026, 6, 30)
NIGHT_AT = datetime(2026, 7, 1, 1, 0, tzinfo=UTC)

_PLACES = ((47.31, 8.93, 480), (52.44, 6.21, 12), (43.87, 2.74, 310), (50.21, 11.65, 390))
_REGIONS = ("north", "coast", "south", "hills")


@dataclass(frozen=True)
class Template:
    """A roof with history on disk and the readings of its new day in memory."""

    name: str
    toml: str
    file: Path
    new_day: pd.DataFrame
    region: str


def simulated_roof(number: int, days: int, inputs: int = 24) -> SimSite:
    """A roof whose last day is :data:`NEW_DAY`, 5 minutes, with the faults of its number."""

    def rng(purpose: int) -> np.random.Generator:
        return np.random.default_rng([number, purpose])

    latitude, longitude, altitude = _PLACES[number % len(_PLACES)]
    place = Place(latitude, longitude, altitude, "Europe/Berlin", 230, 50, 195.5, 253, 47.5, 51.5, 60)
    style = Style(module_spread=0.012, noise=0.004, packet_loss=0.003, start_delay_s=120.0, cloudiness=0.4)
    module = make_module("bench-415", 54, 13.9, 0.688, 1.06, 0.0039, 9, half_cut=True)
    layout = draw_layout(
        rng(1),
        style,
        place,
        inputs,
        2,
        [(160.0, 28.0), (250.0, 28.0)],
        module,
        gateways=1,
        rated_va=760.0,
        even=True,
    )
    first = NEW_DAY - timedelta(days=days - 1)
    start = day_bounds((first - date(1970, 1, 1)).days, longitude)[0] // 300 * 300
    sky = make_sky(rng(2), latitude, longitude, altitude, start, days, 300, style)
    world = make_world(layout, style, sky, rng(3))
    plan = [f for f in _faults(number, world, rng(5)) if f is not None]
    return simulate(
        world, plan, rng(4), 300, f"template-{number}", f"Template {number}", date(2021, 4, 1), number,
        tariff_per_kwh=0.28, currency="EUR", visit_cost=120.0,
    )  # fmt: skip


def _faults(number: int, world: World, rng: np.random.Generator) -> list[make.Fault | None]:
    kinds: list[Callable[[], list[make.Fault | None]]] = [
        lambda: [make.short_gaps(world, rng)],
        lambda: [make.dead_input(world, rng, 5), make.short_gaps(world, rng)],
        lambda: [make.shading(world, rng, "tree", 3), make.unit_standby(world, rng, 7)],
        lambda: [make.substring_loss(world, rng, 9), make.patchy_comms(world, rng, [4])],
    ]
    return kinds[number % len(kinds)]()


def make_template(folder: Path, number: int, days: int, inputs: int = 24) -> Template:
    """Simulate, import, reduce and judge one roof's history, all but its new day."""
    roof = simulated_roof(number, days + 1, inputs)
    site = parse_site(roof.toml)
    cut = day_bounds((NEW_DAY - date(1970, 1, 1)).days, site.site.longitude)[0]
    old, new = roof.telemetry["ts"] < cut, roof.telemetry["ts"] >= cut
    place = Workspace(folder)
    with place.add_site(roof.toml) as store:
        store.add_telemetry(roof.telemetry[old], "simulated")
        if len(roof.weather):
            store.add_weather(roof.weather[roof.weather["ts"] < cut], "simulated")
        check_site(store, "", (NIGHT_AT - timedelta(days=1)).strftime("%Y-%m-%dT%H:%M:%SZ"))
        store.db.conn.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    new_day = roof.telemetry[new].reset_index(drop=True)
    region = _REGIONS[number % len(_REGIONS)]
    return Template(site.site.id, roof.toml, place.path_of(site.site.id), new_day, region)


def make_fleet(
    workspace: Path, templates: Sequence[Template], sites: int, seed: int = 1,
    progress: Callable[[int], None] | None = None,
) -> Workspace:  # fmt: skip
    """A workspace of ``sites`` roofs with history, each with one new day not yet checked."""
    place = Workspace(workspace)
    place.sites_folder.mkdir(parents=True, exist_ok=True)
    for n in range(sites):
        replicate(place, templates[n % len(templates)], f"roof-{n:05d}", np.random.default_rng([seed, n]))
        if progress:
            progress(n + 1)
    return place


def replicate(place: Workspace, template: Template, site_id: str, rng: np.random.Generator) -> None:
    """Copy a template under a new name and place, then give it a new day of its own."""
    path = place.path_of(site_id)
    shutil.copyfile(template.file, path)
    toml = _renamed(template, site_id, rng)
    with closing(sqlite3.connect(path)) as db, db:
        # The same readings under another name have the same features: no need to reduce them again.
        db.execute("UPDATE meta SET value = ? WHERE key = 'site_toml'", (toml,))
        db.execute("DELETE FROM meta WHERE key = ?", (SUMMARY_KEY,))
        db.execute("UPDATE day_feature SET layout = ?", (layout_hash(parse_site(toml)),))
        db.execute("UPDATE finding SET body = replace(body, ?, ?)", (template.name, site_id))
    with Store.open(path) as store:
        store.keep_parsed()
        # As if every night had been run: the new day's looks far back on its share of the sites.
        note_look_back(store, (NEW_DAY - date(1970, 1, 1)).days - 1)
        store.add_telemetry(_own_day(template.new_day, rng), "new day")
        store.db.conn.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def _renamed(template: Template, site_id: str, rng: np.random.Generator) -> str:
    lines = []
    for line in template.toml.splitlines():
        key = line.split("=")[0].strip()
        if key == "latitude":
            # A few kilometres: the sun of the template stays good enough for its features.
            line = f"latitude = {float(line.split('=')[1]) + rng.normal(0, 0.08):.5f}"
        elif key == "region":
            continue
        elif key == "commissioned":
            line = f"commissioned = {2012 + int(rng.integers(0, 14))}-04-01"
        lines.append(line)
        if line.strip() == "[site]":
            lines.append(f'region = "{template.region}"')
    return "\n".join(lines).replace(f'"{template.name}"', f'"{site_id}"') + "\n"


def _own_day(new_day: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    scale = rng.normal(1.0, 0.01)
    frame = new_day.copy()
    frame["dc_power_w"] *= scale
    frame["dc_current_a"] *= scale
    if rng.random() < 0.05:
        units = frame["unit"].unique()
        dead = (frame["unit"] == rng.choice(units)) & (frame["input"] == 1)
        frame.loc[dead, ["dc_power_w", "dc_current_a", "dc_voltage_v"]] = 0.0
    return frame


def year_of_readings(number: int, days: int) -> tuple[str, pd.DataFrame]:
    """Site file and telemetry of one roof over ``days`` days, for import benches."""
    roof = simulated_roof(number, days)
    return roof.toml, roof.telemetry


__all__ = [
    "NEW_DAY",
    "NIGHT_AT",
    "Template",
    "make_fleet",
    "make_template",
    "replicate",
    "simulated_roof",
    "year_of_readings",
]
