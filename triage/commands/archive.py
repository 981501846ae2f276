"""``callout archive``, ``restore``, ``backup`` and ``verify-store``: keeping years."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Annotated, Any, Final

import typer
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table
from rich.text import Text

from collectors.errors import UsageError
from triage.console import err, out, progress_bar
from triage.options import JsonOption, WorkspaceOption
from triage.workspace import Workspace

_EXITS: Final = "Exit codes: 0 all well, 1 something was found or a site failed, 2 usage or input error."

_Sites = Annotated[list[str] | None, typer.Option("--site", help="Only this site; may be given again.")]


def register(app: typer.Typer) -> None:
    for name, function, example in (
        ("archive", archive, ("archive --older-than 180d",)),
        (
            "restore",
            restore,
            ("restore --site mill --month 2026-03", "restore --from /backups/mon --site mill"),
        ),
        ("backup", backup, ("backup /backups/mon",)),
        ("verify-store", verify_store, ("verify-store", "verify-store --backup /backups/mon")),
    ):
        lines = "\n\n".join(f"  callout {line}" for line in example)
        epilog = f"\n[bold]Examples[/bold]\n\n{lines}\n\n{_EXITS}"
        app.command(name, epilog=epilog, rich_help_panel="Keeping years")(function)


def archive(
    older_than: Annotated[
        str, typer.Option("--older-than", help="Age of a whole month before it moves: 180d, 26w or 2y.")
    ] = "180d",
    workspace: WorkspaceOption = None,
    site: _Sites = None,
    as_json: JsonOption = False,
) -> None:
    """Move raw samples of old months to compressed Parquet files beside each site's file.

    Features and findings stay; reports and checks read archived months as if they were still there.
    """
    from triage.fleet.upkeep import archive_sites

    place, ids = _chosen(workspace, site)
    place.need_writing()
    before = int((datetime.now(UTC) - _age(older_than)).timestamp())
    with _bar("Archiving") as progress:
        results = archive_sites(place, before, ids, _advance(progress, len(ids)))
    _report(results, as_json, "moved", "Nothing is older than that and not archived yet.")


def restore(
    month: Annotated[list[str] | None, typer.Option("--month", help="Archived month to bring back, 2026-03; default all.")] = None,
    source: Annotated[Path | None, typer.Option("--from", help="Backup to take sites from.")] = None,
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="Replace sites that are there; the old file is kept beside.")
    ] = False,
    workspace: WorkspaceOption = None,
    site: _Sites = None,
    as_json: JsonOption = False,
) -> None:
    """Bring archived months back into a site's file, or whole sites back from a backup."""
    from triage.fleet.backup import restore_sites
    from triage.fleet.upkeep import restore_months

    if source is not None:
        if month:
            raise UsageError("--month and --from do not fit together", "A backup is put back whole.")
        with _bar("Restoring") as progress:
            done = restore_sites(source, Workspace(workspace).path, site, overwrite=overwrite, progress=_advance(progress, 1))
        _say(as_json, {"restored": done}, f"Restored from {source}: {', '.join(done)}")
        return
    if overwrite:
        raise UsageError("--overwrite needs --from", "Name the backup to restore from.")
    if not site:
        raise UsageError("which site? --site is missing", "`callout site list` shows the sites.")
    place, ids = _chosen(workspace, site)
    place.need_writing()
    with _bar("Restoring") as progress:
        results = restore_months(place, month or [], ids, _advance(progress, len(ids)))
    _report(results, as_json, "brought back", "Nothing of that is archived.")


def backup(
    target: Annotated[Path, typer.Argument(help="Folder to make; must not exist.")],
    workspace: WorkspaceOption = None,
    as_json: JsonOption = False,
) -> None:
    """Copy the whole workspace while it is in use, with a checksum of every file.

    The copy holds customers' data and, where the service is set up, its accounts:
    keep it as safe as the original.
    """
    from triage.fleet import backup as backups

    place = Workspace(workspace)
    with _bar("Copying") as progress:
        manifest = backups.backup(place.path, target, datetime.now(UTC), _advance(progress, 1))
    files = manifest["files"]
    total = sum(f["bytes"] for f in files.values())
    count = sum(name.startswith("sites/") and name.endswith(".sqlite") for name in files)
    facts = {"target": str(target), "sites": count, "files": len(files), "bytes": total}
    _say(as_json, facts, f"{count} sites, {len(files)} files, {total / 1e6:.1f} MB in {target}")


def verify_store(
    backup_folder: Annotated[Path | None, typer.Option("--backup", help="Check this backup instead.")] = None,
    workspace: WorkspaceOption = None,
    site: _Sites = None,
    as_json: JsonOption = False,
) -> None:
    """Look for damage: SQLite's integrity check, references, checksums of archived months or of a backup."""
    from triage.fleet.backup import check_backup
    from triage.fleet.upkeep import verify_sites

    if backup_folder is not None:
        found = check_backup(backup_folder)
        _say(
            as_json,
            {"problems": found},
            "\n".join(found) or f"{backup_folder}: every file is as it was written.",
        )
        raise typer.Exit(1 if found else 0)
    place, ids = _chosen(workspace, site)
    with _bar("Verifying") as progress:
        results = verify_sites(place, ids, _advance(progress, len(ids)))
    bad = [r for r in results if r.problems or r.error]
    if as_json:
        typer.echo(json.dumps([r.to_json() for r in results], indent=2))
    else:
        for r in results:
            for line in (*r.problems, *([r.error] if r.error else []), *r.notes):
                out.print(f"{r.site_id}: {line}", markup=False, highlight=False, soft_wrap=True)
        out.print(f"{len(results) - len(bad)} of {len(results)} sites are sound.", highlight=False)
    raise typer.Exit(1 if bad else 0)


def _chosen(workspace: Path | None, sites: list[str] | None) -> tuple[Workspace, list[str]]:
    place = Workspace(workspace)
    known = place.known_sites()
    for site_id in sites or ():
        if site_id not in known:
            raise UsageError(f"site '{site_id}' is not in workspace {place.path}", f"It has: {', '.join(known[:20])}.")
    return place, list(sites) if sites else known


def _age(text: str) -> timedelta:
    match = re.fullmatch(r"\s*(\d+)\s*([dwy])\s*", text)
    if match is None:
        raise UsageError(f"--older-than '{text}' is not an age", "Write it as 180d, 26w or 2y.")
    return timedelta(days=int(match[1]) * {"d": 1, "w": 7, "y": 366}[match[2]])


def _report(results: Sequence[Any], as_json: bool, verb: str, nothing: str) -> None:
    failed = [r for r in results if r.error]
    if as_json:
        typer.echo(json.dumps([r.to_json() for r in results], indent=2))
    else:
        table = Table(box=None, pad_edge=False)
        for name in ("site", f"months {verb}", "samples", "archive", "site file"):
            table.add_column(name, justify="left" if name == "site" else "right", overflow="fold")
        for r in results:
            if r.months:
                span = r.months[0] if len(r.months) == 1 else f"{r.months[0]} to {r.months[-1]} ({len(r.months)})"
                change = f"{-r.shrunk / 1e6:+.1f} MB" if r.shrunk else ""
                table.add_row(Text(r.site_id), span, f"{r.rows:,}", f"{r.bytes / 1e6:.1f} MB", change)
        out.print(table if table.row_count else nothing, highlight=False)
        for r in failed:
            err.print(f"{r.site_id}: {r.error}", markup=False, highlight=False, soft_wrap=True)
    raise typer.Exit(1 if failed else 0)


def _say(as_json: bool, facts: dict[str, Any], text: str) -> None:
    if as_json:
        typer.echo(json.dumps(facts, indent=2))
    else:
        out.print(text, markup=False, highlight=False, soft_wrap=True)


def _bar(title: str) -> Progress:
    columns = (
        TextColumn(title),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
        TextColumn("{task.description}"),
    )
    return progress_bar(*columns)


def _advance(bar: Progress, total: int) -> Callable[[int, int, str], None]:
    task = bar.add_task("", total=total)

    def step(done: int, of: int, name: str) -> None:
        bar.update(task, completed=done, total=of, description=name)

    return step
