"""Backups of a workspace that is in use: a folder that can be checked and put back.

    <backup>/manifest.json            what is in it: size and checksum of every file
    <backup>/sites/<id>.sqlite        SQLite's own online copy, without stopping anyone
    <backup>/sites/<id>.archive/...   the archived months
    <backup>/*.sqlite, *.toml         what else the workspace keeps

A backup is written under a draft name and renamed when it is whole, so a
folder with the right name is never half a backup.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import sqlite3
from collections.abc import Callable, Iterable
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from collectors import archive, readonly
from collectors.errors import StoreError, UsageError
from triage.fleet.index import FILE_NAME as INDEX_NAME

MANIFEST: Final = "manifest.json"
_FORMAT: Final = 1

Progress = Callable[[int, int, str], None]


def backup(workspace: Path, target: Path, at: datetime, progress: Progress | None = None) -> dict[str, Any]:
    """Copy a workspace; returns the manifest.

    Parameters
    ----------
    target : folder to make; must not exist.
    at : aware time noted in the manifest.

    Raises
    ------
    UsageError : the target exists, or the workspace has no sites.
    StoreError : a file cannot be read or the target not be written; nothing is left behind.
    """
    if target.exists():
        raise UsageError(f"{target}: already exists", "Give a new folder: a backup never writes over another.")
    files = _databases(workspace)
    if not any(f.parent.name == "sites" for f in files):
        raise UsageError(f"workspace {workspace} has no sites", "Add one with `callout site add FILE.toml`.")
    draft = target.with_name(f"{target.name}.part")
    shutil.rmtree(draft, ignore_errors=True)
    entries: dict[str, dict[str, Any]] = {}
    try:
        for done, file in enumerate(files, 1):
            for copy in _copy_database(file, draft / file.relative_to(workspace)):
                entries[copy.relative_to(draft).as_posix()] = _facts(copy)
            if progress:
                progress(done, len(files), file.stem)
        for file in sorted(workspace.glob("*.toml")):
            copy = draft / file.name
            shutil.copyfile(file, copy)
            entries[file.name] = _facts(copy)
        manifest = {
            "format": _FORMAT,
            "at": at.astimezone(UTC).isoformat(timespec="seconds"),
            "files": entries,
        }
        (draft / MANIFEST).write_text(json.dumps(manifest, indent=1), encoding="utf-8")
        draft.rename(target)
    except OSError as exc:
        shutil.rmtree(draft, ignore_errors=True)
        raise StoreError(f"{target}: cannot be written: {exc.strerror or exc}", "Check space and rights.") from exc
    except BaseException:
        shutil.rmtree(draft, ignore_errors=True)
        raise
    return manifest


def check_backup(source: Path) -> list[str]:
    """What is wrong with a backup, one line each; empty when every file is there and unchanged."""
    found: list[str] = []
    listed = _manifest(source)["files"]
    for name, facts in listed.items():
        file = source / name
        if not file.is_file():
            found.append(f"{name}: missing")
        elif file.stat().st_size != facts["bytes"] or _digest(file) != facts["sha256"]:
            found.append(f"{name}: not what was written: its checksum differs")
    strays = {f.relative_to(source).as_posix() for f in source.rglob("*") if f.is_file()} - set(listed) - {MANIFEST}
    return found + [f"{name}: not part of the backup" for name in sorted(strays)]


def restore_sites(
    source: Path,
    workspace: Path,
    sites: Iterable[str] | None = None,
    *,
    overwrite: bool = False,
    progress: Progress | None = None,
) -> list[str]:
    """Put sites of a backup back; returns their ids.

    Parameters
    ----------
    sites : ids; None is every site of the backup.
    overwrite : replace sites that are in the workspace; what was there is kept
        beside it as ``<id>.sqlite.before-restore``.

    Raises
    ------
    UsageError : the backup has no such site, or a site is there and ``overwrite`` is not set.
    StoreError : a file of the backup is damaged; nothing was changed.
    """
    listed = _manifest(source)["files"]
    known = sorted(Path(n).stem for n in listed if n.startswith("sites/") and n.endswith(".sqlite"))
    wanted = known if sites is None else list(sites)
    for site_id in wanted:
        if site_id not in known:
            raise UsageError(f"{source}: holds no site '{site_id}'", f"It holds: {', '.join(known)}.")
        if not overwrite and (workspace / "sites" / f"{site_id}.sqlite").exists():
            raise UsageError(f"site '{site_id}' is in the workspace already", "Add --overwrite to replace it.")
    names = {s: [n for n in listed if _belongs(n, s)] for s in wanted}
    for name in (n for group in names.values() for n in group):
        if not (source / name).is_file() or _digest(source / name) != listed[name]["sha256"]:
            raise StoreError(f"{source / name}: damaged; nothing was changed", "Use another backup.")
    for done, site_id in enumerate(wanted, 1):
        _put_back(source, workspace, site_id, names[site_id])
        if progress:
            progress(done, len(wanted), site_id)
    return wanted


def _put_back(source: Path, workspace: Path, site_id: str, names: list[str]) -> None:
    folder = workspace / "sites"
    target = folder / f"{site_id}.sqlite"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        # Archived months first: they are named by content, so none is written over that is in use.
        for name in sorted(names, key=lambda n: n.endswith(".sqlite")):
            copy = workspace / name
            copy.parent.mkdir(exist_ok=True)
            draft = copy.with_name(f"{copy.name}.part")
            shutil.copyfile(source / name, draft)
            if copy == target and target.exists():
                _set_aside(target)
            draft.replace(copy)
    except OSError as exc:
        raise StoreError(f"{target}: cannot be written: {exc.strerror or exc}", "Check space and rights.") from exc


def _set_aside(target: Path) -> None:
    kept = target.with_name(f"{target.name}.before-restore")
    with closing(sqlite3.connect(target, timeout=5.0)) as db, closing(sqlite3.connect(kept)) as copy:
        try:
            db.backup(copy)
            db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        except sqlite3.DatabaseError:
            # Too damaged to copy page by page: keep its bytes.
            shutil.copyfile(target, kept)
    for suffix in ("", "-wal", "-shm"):
        Path(f"{target}{suffix}").unlink(missing_ok=True)


def _belongs(name: str, site_id: str) -> bool:
    return name == f"sites/{site_id}.sqlite" or name.startswith(f"sites/{site_id}.archive/")


def _databases(workspace: Path) -> list[Path]:
    # The fleet index comes from the sites at any time: no need to keep it.
    top = [f for f in sorted(workspace.glob("*.sqlite")) if f.name != INDEX_NAME]
    return [*sorted((workspace / "sites").glob("*.sqlite")), *top]


def _copy_database(file: Path, copy: Path, attempts: int = 3) -> list[Path]:
    """Copy one database and its archived months, all of one moment."""
    copy.parent.mkdir(parents=True, exist_ok=True)
    try:
        copy.unlink(missing_ok=True)
        with closing(readonly.reader(file)) as db, closing(sqlite3.connect(copy)) as target:
            db.backup(target)
            target.execute("PRAGMA journal_mode = DELETE")
            months = archive.archived_months(target)
    except sqlite3.Error as exc:
        raise StoreError(f"{file}: cannot be copied: {exc}", "`callout verify-store` says more.") from exc
    made = [copy]
    for month in months:
        part = archive.folder_of(copy) / month.file
        part.parent.mkdir(exist_ok=True)
        try:
            shutil.copyfile(archive.folder_of(file) / month.file, part)
        except FileNotFoundError as exc:
            # A late import may have brought that month back meanwhile: the database says so now.
            if attempts > 1:
                shutil.rmtree(archive.folder_of(copy))
                return _copy_database(file, copy, attempts - 1)
            raise StoreError(
                f"{archive.folder_of(file) / month.file}: archived samples of {month.month} are missing",
                "`callout verify-store` says more.",
            ) from exc
        made.append(part)
    return made


def _manifest(source: Path) -> dict[str, Any]:
    try:
        manifest: dict[str, Any] = json.loads((source / MANIFEST).read_text("utf-8"))
    except (OSError, ValueError) as exc:
        raise UsageError(f"{source}: not a backup: {MANIFEST} cannot be read", "Give a folder `callout backup` made.") from exc
    if manifest.get("format") != _FORMAT:
        raise UsageError(f"{source}: format {manifest.get('format')} is not known", "Use the version that made it.")
    return manifest


def _facts(file: Path) -> dict[str, Any]:
    handle = os.open(file, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
    return {"bytes": file.stat().st_size, "sha256": _digest(file)}


def _digest(file: Path) -> str:
    with file.open("rb") as source:
        return hashlib.file_digest(source, "sha256").hexdigest()
