"""``callout import``: files into a site's store, or a preview of how they would be read."""

from __future__ import annotations

import json
import time
from pathlib import Path
from typing import Annotated, Any

import typer
from rich import box
from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn
from rich.table import Table
from rich.text import Text

from collectors.csv_layout import FileLayout, Layout, dump_layout, load_layout
from collectors.csv_layout_of import layout_of
from collectors.csv_reading import Kind, Reading
from collectors.errors import StoreError, UsageError
from collectors.site import SiteDescription, load_site
from collectors.store import ImportResult
from triage.console import out, progress_bar
from triage.fleet.index import FleetIndex
from triage.importing import KINDS, ImportReport, import_files, kind_of_file, read_files
from triage.options import JsonOption, WorkspaceOption
from triage.textfile import write_text
from triage.workspace import Workspace

_EPILOG = """
[bold]Examples[/bold]

  callout import telemetry.csv.gz weather.csv --site mill

  callout import export.zip --site mill --preview

  callout import export.csv --site-file mill.toml --preview --save-layout export.toml

  callout import export.csv --site mill --layout export.toml

[bold]A layout file[/bold] overrules any guess; every key is optional:

  \\[file]    encoding delimiter decimal thousands header_line header_lines missing plane energy

  \\[time]    timezone order ("dmy" "mdy" "ymd") epoch ("s" "ms")

  \\[columns] "AC out" = { as = "ac_power_w", unit = "kW", serial = "A1007", input = 2 }

  \\[units]   "Roof 7" = "A1007"

  \\[states]  "4" = "producing"

Exit codes: 0 done (rows left out are listed), 2 usage or input error; then nothing is stored.
"""


def register(app: typer.Typer) -> None:
    app.command("import", epilog=_EPILOG, rich_help_panel="A site")(import_)


def import_(
    files: Annotated[list[Path], typer.Argument(help="CSV files, plain, .gz or .zip: telemetry, weather, gateway logs.")],
    site: Annotated[str | None, typer.Option("--site", help="Site id; not needed when the workspace has one site.")] = None,
    site_file: Annotated[
        Path | None,
        typer.Option("--site-file", help="With --preview: a site TOML file, no workspace needed."),
    ] = None,
    kind: Annotated[
        str | None,
        typer.Option("--kind", help="What the files hold: telemetry, weather or log. Default: found out."),
    ] = None,
    preview: Annotated[bool, typer.Option("--preview", help="Show how each file would be read, and why; store nothing.")] = False,
    layout: Annotated[Path | None, typer.Option("--layout", help="Layout TOML that overrules the guesses.")] = None,
    save_layout: Annotated[
        Path | None, typer.Option("--save-layout", help="With --preview: write the guess as a layout file.")
    ] = None,
    plane: Annotated[str | None, typer.Option("--plane", help="Plane that the weather's poa_w_m2 belongs to.")] = None,
    workspace: WorkspaceOption = None,
    as_json: JsonOption = False,
) -> None:
    """Import telemetry, weather and gateway logs into a site.

    All files of one call are stored together or not at all. A value that is
    stored already stays, an empty one is filled: importing again, late or
    overlapping files is safe.
    """
    rules = _rules(layout, plane)
    if save_layout is not None and (not preview or len(files) != 1):
        raise UsageError("--save-layout goes with --preview and one file", "Preview the files one by one.")
    if site_file is not None and not preview:
        raise UsageError("--site-file goes with --preview", "Add the site with `callout site add` to import.")
    place = Workspace(workspace)
    if preview:
        if site_file:
            description = load_site(site_file)
        else:
            with place.open(_chosen(place, site)) as store:
                description = store.site
        _preview(files, description, kind, rules, save_layout, as_json)
        return
    place.need_writing()
    with place.open(_chosen(place, site)) as store, _steps() as progress:
        task = progress.add_task("", total=None)
        chosen = by_kind(files, store.site, kind, rules)
        report = import_files(
            store,
            chosen["telemetry"],
            chosen["weather"],
            chosen["log"],
            layout=rules,
            progress=lambda text: progress.update(task, description=text),
            now=time.time(),
        )
        FleetIndex(place.path).refresh(store)
    if as_json:
        typer.echo(json.dumps(report_json(store.site.site.id, report), indent=2))
    else:
        _show_import(store.site.site.id, report)


def _rules(layout: Path | None, plane: str | None) -> Layout | None:
    rules = load_layout(layout) if layout else None
    if plane is None:
        return rules
    file = (rules.file if rules else FileLayout()).model_copy(update={"plane": plane})
    return (rules or Layout()).model_copy(update={"file": file})


def _chosen(place: Workspace, site: str | None) -> str:
    """The site that was named, or the only one there is."""
    if site is not None:
        return site
    ids = place.site_ids()
    if not ids:
        raise StoreError(
            f"workspace {place.path} has no site yet",
            "Draft a site file with `callout init`, add it with `callout site add FILE.toml`.",
        )
    if len(ids) > 1:
        raise UsageError(f"which site? The workspace has {', '.join(ids)}", "Name one with --site.")
    return ids[0]


def by_kind(files: list[Path], site: SiteDescription, kind: str | None, layout: Layout | None) -> dict[Kind, list[Path]]:
    """Files by what they hold; ``kind`` says it for all of them.

    Raises
    ------
    UsageError : ``kind`` is no kind.
    ReadingError : a file cannot be opened, or an archive mixes kinds.
    """
    if kind is not None and kind not in KINDS:
        raise UsageError(f"--kind {kind}: none of {', '.join(KINDS)}", "Leave it out to have it found out.")
    told = next((k for k in KINDS if k == kind), None)
    chosen: dict[Kind, list[Path]] = {k: [] for k in KINDS}
    for path in files:
        chosen[told or kind_of_file(path, site, layout)].append(path)
    return chosen


def _steps() -> Progress:
    return progress_bar(SpinnerColumn(), TextColumn("{task.description}"), TimeElapsedColumn())


# -- the preview -------------------------------------------------------------


def _preview(
    files: list[Path],
    site: SiteDescription,
    kind: str | None,
    rules: Layout | None,
    save_layout: Path | None,
    as_json: bool,
) -> None:
    with _steps() as progress:
        task = progress.add_task("", total=None)
        chosen = by_kind(files, site, kind, rules)
        loaded = read_files(
            site,
            chosen["telemetry"],
            chosen["weather"],
            chosen["log"],
            layout=rules,
            progress=lambda text: progress.update(task, description=text),
            now=time.time(),
        )
    if save_layout is not None:
        if save_layout.exists():
            raise UsageError(f"{save_layout} exists", "Choose another name, or remove it first.")
        write_text(save_layout, dump_layout(layout_of(loaded.readings[0])))
    if as_json:
        typer.echo(json.dumps({"site": site.site.id, "files": [reading_json(r) for r in loaded.readings]}, indent=2))
        return
    for reading in loaded.readings:
        _show_reading(reading)
    out.print("Nothing was stored.", style="dim")
    if save_layout is not None:
        out.print(f"The guess is in {save_layout}; use it with --layout.", style="dim", highlight=False)


def _show_reading(reading: Reading) -> None:
    out.print(Text.assemble((reading.source, "bold"), f": {reading.kind}"))
    facts = Table(box=None, show_header=False, padding=(0, 2, 0, 2))
    for name, value in reading.format.items():
        facts.add_row(Text(name, style="dim"), Text(value))
    out.print(facts)
    table = Table(box=box.SIMPLE_HEAD, title="Columns", title_justify="left", title_style="bold")
    for name in ("column", "taken for", "unit", "place", "why"):
        table.add_column(name, overflow="fold")
    for guess in reading.columns:
        place = guess.serial + (f"/{guess.input}" if guess.input is not None else "")
        style = "dim" if guess.taken_for == "ignore" else ""
        role = "left out" if guess.taken_for == "ignore" else guess.taken_for
        table.add_row(*(Text(c) for c in (guess.header, role, guess.unit, place, guess.why)), style=style)
    out.print(table)
    _show_rows(reading)
    _show_account(reading)


def _show_rows(reading: Reading) -> None:
    frame = reading.frame.dropna(axis=1, how="all")
    shown = frame.head(3)
    table = Table(box=box.SIMPLE_HEAD, title="First rows, in our units", title_justify="left", title_style="bold")
    for name in shown.columns:
        table.add_column("UTC" if name == "ts" else name, overflow="fold")
    times = shown["ts"].to_numpy("datetime64[s]")
    for row, when in zip(shown.itertuples(index=False), times, strict=True):
        cells = [str(when).replace("T", " ")]
        cells += ["" if v is None or v != v else f"{v:g}" if isinstance(v, float) else str(v) for v in row[1:]]
        table.add_row(*map(Text, cells))
    out.print(table)


def _show_account(reading: Reading) -> None:
    kept = len(reading.frame)
    out.print(
        f"Rows in the file: {reading.rows_read:,}. Rows of {_what(reading)} to store: {kept:,}.",
        highlight=False,
    )
    for note in reading.notes:
        out.print(Text(f"note: {note}", style="dim"))
    _show_left_out(reading, "")
    out.print()


def _show_left_out(reading: Reading, before: str) -> None:
    for word, end, counts in (
        ("row", "left out", reading.rejected),
        ("value", "left empty", reading.emptied),
    ):
        for reason, count in counts.items():
            first = next((p for p in reading.problems if p.reason == reason), None)
            where = f"; first: {first.where}" if first else ""
            what = f"{count:,} {word}{'' if count == 1 else 's'} {end}"
            out.print(Text(f"{before}{what}: {reason}{where}", style="yellow"))


def _short(source: str) -> str:
    """The file's name without its folders, with the archive member if there is one."""
    path, _, member = source.partition("!")
    return Path(path).name + (f"!{member}" if member else "")


def _what(reading: Reading) -> str:
    if reading.kind == "log":
        return "events"
    return "weather" if reading.kind == "weather" else "telemetry (one input at one time)"


# -- the result --------------------------------------------------------------


def _show_import(site: str, report: ImportReport) -> None:
    table = Table(box=box.SIMPLE_HEAD)
    table.add_column("file", overflow="fold")
    table.add_column("holds")
    for name in ("rows", "new", "filled", "same", "conflicting", "left out", "emptied"):
        table.add_column(name, justify="right")
    for reading, result in zip(report.readings, report.results, strict=True):
        numbers = (
            reading.rows_read,
            result.rows_new,
            result.rows_filled,
            result.rows_same,
            result.rows_conflicting,
            sum(reading.rejected.values()) + result.rows_unknown,
            sum(reading.emptied.values()),
        )
        table.add_row(Text(_short(reading.source)), reading.kind, *(f"{n:,}" for n in numbers))
    out.print(table)
    for reading in report.readings:
        _show_left_out(reading, f"{_short(reading.source)}: ")
    if any(result.rows_conflicting for result in report.results):
        out.print("conflicting: another value was stored before; the stored one stays.", style="dim")
    days = report.days
    if days:
        out.print(f"Days changed: {len(days)}; `callout check {site}` looks at them.", highlight=False)
    else:
        out.print("Nothing new: the store is as it was.", highlight=False)


def reading_json(reading: Reading) -> dict[str, Any]:
    """JSON form of a reading: format, columns, and an account of every row."""
    return {
        "source": reading.source,
        "kind": reading.kind,
        "format": reading.format,
        "columns": [
            {
                "header": g.header,
                "taken_for": g.taken_for,
                "unit": g.unit,
                "serial": g.serial or None,
                "input": g.input,
                "why": g.why,
            }
            for g in reading.columns
        ],
        "rows_read": reading.rows_read,
        "rows_kept": len(reading.frame),
        "rejected_rows": reading.rejected,
        "emptied_values": reading.emptied,
        "problems": [{"line": p.line, "reason": p.reason, "column": p.column, "value": p.value} for p in reading.problems],
        "notes": list(reading.notes),
    }


def _result_json(result: ImportResult) -> dict[str, Any]:
    return {
        "new": result.rows_new,
        "filled": result.rows_filled,
        "same": result.rows_same,
        "conflicting": result.rows_conflicting,
        "unknown": result.rows_unknown,
        "unknown_inputs": list(result.unknown_inputs),
    }


def report_json(site: str, report: ImportReport) -> dict[str, Any]:
    """JSON form of an import."""
    return {
        "site": site,
        "days_changed": len(report.days),
        "rejected_rows": report.rejected_rows,
        "emptied_values": report.emptied_values,
        "files": [
            {**reading_json(reading), "stored": _result_json(result)}
            for reading, result in zip(report.readings, report.results, strict=True)
        ],
    }
