"""``callout site``: the sites of a workspace."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any

import typer
from rich import box
from rich.table import Table
from rich.text import Text

from collectors.errors import CalloutError
from collectors.site import SiteDescription, Unit, UnitInput, read_site_text
from collectors.store import Store
from triage.console import err, example, out
from triage.options import JsonOption, WorkspaceOption
from triage.roofplan import spot_of
from triage.workspace import Workspace


def register(app: typer.Typer) -> None:
    group = typer.Typer(
        no_args_is_help=True,
        help="Add, show and list the sites of a workspace.",
        epilog=example("site add mill.toml"),
        rich_markup_mode="rich",
    )
    group.command("add", epilog=example("site add mill.toml"))(add)
    group.command("show", epilog=example("site show mill"))(show)
    group.command("list", epilog=example("site list --json"))(list_)
    app.add_typer(group, name="site", rich_help_panel="A site")


def add(
    file: Annotated[Path, typer.Argument(help="Site TOML file; `callout init` drafts one.")],
    workspace: WorkspaceOption = None,
    as_json: JsonOption = False,
) -> None:
    """Add a site from its TOML file, or update the description of one that is there.

    Samples stay; when the description changed, every stored day is looked at again by the next check.
    """
    place = Workspace(workspace)
    with place.add_site(read_site_text(file), str(file)) as store:
        site = store.site
        gone = sorted(set(store.unit_ids()) - {unit.serial for unit in site.units})
        from triage.fleet.index import FleetIndex  # not for `site list` or a wrong file

        FleetIndex(place.path).refresh(store)
    for note in site.notes:
        err.print(Text(f"note: {file}: {note}", style="yellow"))
    if gone:
        kept = "their readings stay stored, and are judged again once they are listed again"
        err.print(Text(f"note: no longer in the site file: {', '.join(gone)}; {kept}", style="yellow"))
    if as_json:
        typer.echo(json.dumps(_summary(site), indent=2))
        return
    out.print(
        f"Site {site.site.id}: {len(site.units)} units, {len(site.inputs)} inputs, {_watts(site)}, "
        f"in {place.path_of(site.site.id)}",
        highlight=False,
        markup=False,
        soft_wrap=True,
    )
    out.print(f"Next: callout import FILE --site {site.site.id}", style="dim", highlight=False)


def show(
    site: Annotated[str, typer.Argument(help="Site id.")],
    workspace: WorkspaceOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show one site: its planes, units and what is stored."""
    with Workspace(workspace).open(site) as store:
        facts = _summary(store.site) | _stored(store)
        description = store.site
    if as_json:
        typer.echo(json.dumps(facts, indent=2))
        return
    s = description.site
    out.print(Text.assemble((s.id, "bold"), f"  {s.name}"))
    table = Table(box=None, show_header=False, padding=(0, 2, 0, 2))
    table.add_row("place", f"{s.latitude:g}, {s.longitude:g}, {s.altitude_m:g} m, {s.timezone}")
    table.add_row("size", f"{len(description.units)} units, {len(description.inputs)} inputs, {_watts(description)}")
    first, last = facts["first_sample"], facts["last_sample"]
    table.add_row("telemetry", f"{first} to {last}" if first else "none yet")
    table.add_row("days to check", str(facts["days_to_check"]))
    out.print(table)
    planes = Table(box=box.SIMPLE_HEAD)
    for name in ("plane", "azimuth", "tilt", "inputs"):
        planes.add_column(name, justify="left" if name == "plane" else "right")
    for plane, data in description.planes.items():
        count = sum(ref.plane == plane for ref in description.inputs)
        planes.add_row(Text(plane), _degrees(data.azimuth_deg), _degrees(data.tilt_deg), str(count))
    if description.planes:
        out.print(planes)
    units = Table(box=box.SIMPLE_HEAD)
    for name in ("unit", "inverter", "gateway", "branch", "inputs (module, plane, place)"):
        units.add_column(name, overflow="fold")
    for unit in description.units:
        inputs = "\n".join(_input_line(description, unit, i) for i in unit.inputs)
        units.add_row(*map(Text, (unit.serial, unit.inverter or "", unit.gateway, unit.branch, inputs)))
    out.print(units)


def _input_line(site: SiteDescription, unit: Unit, given: UnitInput) -> str:
    row, column = spot_of(site, site.inputs[site.input_index[unit.serial, given.input]])
    spot = f", row {row}, column {column}" if row is not None and column is not None else ""
    return f"{given.input}: {given.module or '?'}, {given.plane or 'plane not given'}{spot}"


def list_(workspace: WorkspaceOption = None, as_json: JsonOption = False) -> None:
    """List the sites of the workspace."""
    place = Workspace(workspace)
    rows: list[dict[str, Any]] = []
    for site_id in place.site_ids():
        try:
            with place.open(site_id) as store:
                rows.append(_summary(store.site) | _stored(store))
        except CalloutError as exc:
            # One damaged file must not hide the others.
            rows.append({"id": site_id, "error": exc.message})
    if as_json:
        typer.echo(json.dumps(rows, indent=2))
        return
    if not rows:
        out.print(f"No site in {place.path} yet.", highlight=False)
        out.print("Draft a site file with `callout init`, then `callout site add FILE.toml`.", style="dim")
        return
    table = Table(box=box.SIMPLE_HEAD)
    table.add_column("site", no_wrap=True)
    table.add_column("name", overflow="fold", min_width=12)
    for name in ("units", "inputs", "kWp", "to check"):
        table.add_column(name, justify="right")
    table.add_column("first sample")
    table.add_column("last sample")
    for row in rows:
        if "error" in row:
            table.add_row(Text(row["id"]), Text("unreadable", style="red"), "", "", "", "", "", "")
            continue
        table.add_row(
            Text(row["id"]),
            Text(row["name"]),
            str(row["units"]),
            str(row["inputs"]),
            f"{row['pmax_w'] / 1000:.2f}" if row["pmax_w"] else "",
            str(row["days_to_check"]),
            (row["first_sample"] or "")[:10],
            (row["last_sample"] or "none yet")[:10],
        )
    out.print(table)
    for row in rows:
        if "error" in row:
            err.print(row["error"], markup=False, highlight=False, soft_wrap=True)


def _summary(site: SiteDescription) -> dict[str, Any]:
    return {
        "id": site.site.id,
        "name": site.site.name,
        "timezone": site.site.timezone,
        "latitude": site.site.latitude,
        "longitude": site.site.longitude,
        "planes": list(site.planes),
        "units": len(site.units),
        "inputs": len(site.inputs),
        "pmax_w": sum(ref.module.pmax_w for ref in site.inputs if ref.module),
        "notes": list(site.notes),
    }


def _stored(store: Store) -> dict[str, Any]:
    span = store.span()
    first, last = (_iso(span[0]), _iso(span[1])) if span else (None, None)
    return {"first_sample": first, "last_sample": last, "days_to_check": len(store.stale_days())}


def _iso(ts: int) -> str:
    return datetime.fromtimestamp(ts, UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def _watts(site: SiteDescription) -> str:
    total = sum(ref.module.pmax_w for ref in site.inputs if ref.module)
    return f"{total / 1000:.2f} kWp" if total else "module ratings not given"


def _degrees(value: float | None) -> str:
    return "to infer" if value is None else f"{value:g}°"
