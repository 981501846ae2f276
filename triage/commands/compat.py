"""``callout compat``: will these modules, units, cables and links live together?"""

from __future__ import annotations

import json
import re
import sys
import tomllib
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer

from collectors.datasheet import Question
from collectors.errors import SiteFileError, UsageError
from collectors.site import SiteDescription, load_site, parse_site
from rules.compat.check import check_site, questions
from rules.compat.profile import Profile
from rules.compat.result import CompatResult
from rules.compat.year import YearWeather
from triage.compat_draft import KEYS, draft_questions, draft_toml, parse_one, parse_values
from triage.compat_page import compat_page
from triage.compat_profiles import choose_profile, load_profile, profile_names, profile_text
from triage.compat_table import print_result
from triage.console import err, out
from triage.importing import read_files
from triage.options import JsonOption, WorkspaceOption
from triage.textfile import write_text
from triage.workspace import Workspace

_HELP = """Check from the site file alone whether modules, inverters, branches, radio and bus fit together.

DC per input (coldest and hottest day, currents, clipping over a year), AC per branch (breaker, cable, \
voltage rise, grid window, after an outage), radio and bus. Every row has its formula, numbers, limit, room \
and source. A profile of limits must be chosen; local codes and licensed practice prevail.
"""
_EXAMPLES = """
Examples:

  callout compat roof.toml --profile iec-230

  callout compat roof.toml --json --html check.html

  callout compat --new roof.toml --profile iec-230     (asks for the data sheet's values)

  callout compat --new roof.toml --profile na-240 --value pmax_w=405 --value voc_v=37.2 \
--value "beta_voc_pct_k=-97 mV/K" --value latitude=40.1 --value longitude=-88.2

Exit codes: 0 nothing fails, 1 something fails, 2 wrong input or a value that needs an answer.
"""
_KEEP = "Correct it, write the unit with the value, or repeat with --as-written if it is right as it is."


def register(app: typer.Typer) -> None:
    app.command("compat", help=_HELP, epilog=_EXAMPLES)(compat)


def compat(
    site: Annotated[str | None, typer.Argument(help="Site file (TOML), or a site's id in the workspace.")] = None,
    profile: Annotated[
        str | None,
        typer.Option(help="Profile of limits: a name (see --profiles) or a TOML file of your own."),
    ] = None,
    new: Annotated[Path | None, typer.Option(help="Draft this site file from data sheet values, then check it.")] = None,
    value: Annotated[list[str] | None, typer.Option(help="With --new: KEY=NUMBER[UNIT]; repeat. --keys lists the keys.")] = None,
    ask: Annotated[
        bool | None,
        typer.Option("--ask/--no-ask", help="With --new: ask for missing values (on a terminal)."),
    ] = None,
    as_written: Annotated[
        bool, typer.Option("--as-written", help="Values that look like another unit are right as they are.")
    ] = False,
    weather: Annotated[Path | None, typer.Option(help="A year's weather CSV for the clipping row; else a cloudless year.")] = None,
    explain: Annotated[bool, typer.Option("--explain", help="Formula and source of every row.")] = False,
    as_json: JsonOption = False,
    html: Annotated[Path | None, typer.Option(help="Write the page to this file.")] = None,
    profiles: Annotated[bool, typer.Option("--profiles", help="List the profiles and leave.")] = False,
    show_profile: Annotated[str | None, typer.Option(help="Print a profile's file and leave.")] = None,
    keys: Annotated[bool, typer.Option("--keys", help="List the keys of --value and leave.")] = False,
    workspace: WorkspaceOption = None,
) -> None:
    if profiles or show_profile or keys:
        _lists(profiles, show_profile, keys, as_json)
        return
    if new is not None:
        if site is not None:
            raise UsageError("give either SITE or --new", "`callout compat --help` has examples.")
        _draft(new, profile, value or [], ask, as_written)
        site = str(new)
    if site is None:
        raise UsageError("no site given", "`callout compat roof.toml --profile iec-230`, or --new to draft a file.")
    description = _site(site, workspace)
    limits = choose_profile(profile, description)
    if not as_written:
        _refuse(site, questions(description))
    result = _result(description, limits, weather)
    if html is not None:
        write_text(html, compat_page(result))
        err.print(f"Page written to {html}", highlight=False)
    if as_json:
        typer.echo(json.dumps(result.to_json(), ensure_ascii=False, indent=2))
    else:
        for note in description.notes:
            err.print(f"note: {site}: {note}", highlight=False, markup=False)
        print_result(out, result, explain)
    if result.verdict == "fail":
        raise typer.Exit(1)


def _result(site: SiteDescription, profile: Profile, weather: Path | None) -> CompatResult:
    with err.status("Computing a year of sun for the clipping row"):
        return check_site(site, profile, _weather(site, weather) if weather else None)


def _site(name: str, workspace: Path | None) -> SiteDescription:
    if Path(name).is_file() or name.endswith(".toml"):
        return load_site(name)
    with Workspace(workspace).open(name) as store:
        return store.site


def _refuse(source: str, asked: dict[str, list[Question]]) -> None:
    if asked:
        lines = [f"{source}: {table}: {q.text}" for table, found in asked.items() for q in found]
        raise SiteFileError("\n".join(lines), _KEEP)


def _weather(site: SiteDescription, path: Path) -> YearWeather:
    frame = read_files(site, weather=[path]).weather
    frame = frame[(frame["plane"] == "") & frame["ghi_w_m2"].notna()]
    if len(frame) < 24:
        raise UsageError(f"{path}: fewer than 24 rows with ghi_w_m2", "Give weather with global horizontal irradiance.")

    def column(name: str) -> np.ndarray | None:
        values = frame[name].to_numpy(float)
        return values if np.isfinite(values).all() else None

    return YearWeather(
        frame["ts"].to_numpy(np.int64),
        frame["ghi_w_m2"].to_numpy(float),
        column("dni_w_m2"),
        column("dhi_w_m2"),
        column("temp_air_c"),
        column("wind_m_s"),
    )


# -- drafting ------------------------------------------------------------


def _draft(path: Path, profile: str | None, words: list[str], ask: bool | None, as_written: bool) -> None:
    """Write the drafted site file, or raise with questions and write nothing."""
    if path.exists():
        raise UsageError(f"{path}: is there already", f"Check it with `callout compat {path}`, or choose another name.")
    if profile is None:
        raise UsageError(
            "no profile of limits is chosen",
            f"Choose one with --profile: {', '.join(profile_names())}, or the path of your own.",
        )
    load_profile(profile)
    values = parse_values(words)
    kept: set[str] = set()
    if ask if ask is not None else sys.stdin.isatty():
        values = _asked(values, kept)
    elif open_questions := draft_questions(values):
        if not as_written:
            raise UsageError("\n".join(q.text for q in open_questions), _KEEP)
        kept = {q.key for q in open_questions}
    text = draft_toml(values, re.sub(r"[^\w.\- ]+", "-", path.stem) or "site", profile, sorted(kept))
    parse_site(text, str(path))
    write_text(path, text)
    err.print(f"Site file drafted: {path}", highlight=False)


def _asked(values: dict[str, float], kept: set[str]) -> dict[str, float]:
    """Prompt for every value not given; Enter leaves one out. ``kept`` gains the keys kept as typed."""
    err.print("Values from the data sheets, STC column. A unit may follow the number; Enter leaves one out.")
    for key, facts in KEYS.items():
        while key not in values:
            unit = f" [{facts.unit}]" if facts.unit else ""
            text = typer.prompt(f"{key}: {facts.words}{unit}", default="", show_default=False, err=True)
            if text.strip():
                try:
                    values[key] = parse_one(key, text, values)
                except UsageError as exc:
                    err.print(str(exc), markup=False, highlight=False)
            elif not facts.required:
                break
            else:
                err.print("This one is needed.")
        values = _settle(values, kept)
    return values


def _settle(values: dict[str, float], kept: set[str]) -> dict[str, float]:
    """Put each new question to the person at once: take the suggestion, keep, or type another value."""
    while True:
        new = [q for q in draft_questions(values) if q.key not in kept]
        if not new:
            return values
        question = new[0]
        hint = f"y = use {question.suggestion:g}, " if question.suggestion is not None else ""
        err.print(question.text, markup=False, highlight=False)
        answer = typer.prompt(f"{hint}k = keep, or another value", err=True).strip()
        if answer == "k":
            kept.add(question.key)
        elif answer == "y" and question.suggestion is not None:
            values[question.key] = question.suggestion
        else:
            try:
                values[question.key] = parse_one(question.key, answer, values)
            except UsageError as exc:
                err.print(str(exc), markup=False, highlight=False)


def _lists(profiles: bool, show_profile: str | None, keys: bool, as_json: bool) -> None:
    if as_json:
        listed: dict[str, Any] = {}
        if profiles:
            named = {name: load_profile(name) for name in profile_names()}
            listed["profiles"] = [{"name": name, "title": p.title, "status": p.status} for name, p in named.items()]
        if show_profile:
            listed["profile"] = tomllib.loads(profile_text(show_profile))
        if keys:
            listed["keys"] = [{"key": name, "unit": k.unit, "what": k.words, "needed": k.required} for name, k in KEYS.items()]
        typer.echo(json.dumps(listed, ensure_ascii=False, indent=2))
        return
    if profiles:
        for name in profile_names():
            found = load_profile(name)
            out.print(f"[bold]{name}[/bold]  {found.title}\n  {found.status}", highlight=False)
    if show_profile:
        typer.echo(profile_text(show_profile), nl=False)
    if keys:
        for name, facts in KEYS.items():
            unit = f" [{facts.unit}]" if facts.unit else ""
            out.print(
                f"{name}{unit}  {facts.words}{' (needed)' if facts.required else ''}",
                highlight=False,
                markup=False,
            )
