"""Files from outside: what kind they are, how large they unpack, and into which site they go.

A file's name is only ever shown. On disk an upload has a name of ours.
"""

from __future__ import annotations

import gzip
import json
import re
import secrets
import shutil
import zipfile
import zlib
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import IO, BinaryIO, Final, cast

from collectors.csv_reading import Kind
from collectors.errors import CalloutError, ReadingError, UsageError
from collectors.site import SiteDescription
from collectors.store import Store
from triage.importing import KINDS, ImportReport, import_files, kind_of_file

#: Suffix -> what the first bytes must look like.
_SUFFIXES: Final = (".csv", ".txt", ".tsv", ".gz", ".zip")
_GZIP, _ZIP = b"\x1f\x8b", b"PK\x03\x04"
_CHUNK: Final = 1 << 20
#: Parked uploads nobody confirmed go after a day.
PARKED_S: Final = 86_400.0


@dataclass(frozen=True)
class Parked:
    """One upload waiting for its confirmation: shown name, place on disk, kind."""

    name: str
    path: str
    kind: Kind


def shown_name(name: str) -> str:
    """What a person sees of an uploaded file's name: its last part, printable, short."""
    tail = re.split(r"[\\/]", name)[-1]
    shown = "".join(c if c.isprintable() else "?" for c in tail) or "file"
    return shown if len(shown) <= 120 else f"…{shown[-119:]}"  # the end tells the type


def check_content(name: str, path: Path, unpacked_bytes: int) -> None:
    """Refuse what is no table of text, and archives that unpack beyond the bound.

    Raises
    ------
    ReadingError : the type is not one of ours, or the content is too large.
    """
    if not name.lower().endswith(_SUFFIXES):
        raise ReadingError(f"{name}: this type of file is not taken", f"Send one of {', '.join(_SUFFIXES)}.")
    with path.open("rb") as file:
        head = file.read(4096)
    if not head:
        raise ReadingError(f"{name}: the file is empty", "Export it again.")
    if head[:2] == _GZIP:
        with path.open("rb") as file:
            _bounded(name, cast(IO[bytes], gzip.GzipFile(fileobj=file)), unpacked_bytes)
    elif head[:4] == _ZIP:
        _check_zip(name, path, unpacked_bytes)
    elif b"\x00" in head and head[:2] not in (b"\xff\xfe", b"\xfe\xff"):
        raise ReadingError(f"{name}: not a table of text", "Export it as CSV.")


def _check_zip(name: str, path: Path, unpacked_bytes: int) -> None:
    try:
        with zipfile.ZipFile(path) as archive:
            infos = archive.infolist()
            if len(infos) > 200:
                raise ReadingError(f"{name}: {len(infos)} files in one archive", "Send at most 200.")
            left = unpacked_bytes
            for info in infos:
                with archive.open(info) as member:
                    left -= _bounded(name, member, left)
    except (zipfile.BadZipFile, zlib.error, NotImplementedError, RuntimeError, EOFError) as exc:
        raise ReadingError(f"{name}: damaged or protected archive: {exc}", "Unpack it and send the table.") from exc


def _bounded(name: str, stream: IO[bytes], limit: int) -> int:
    """Bytes in the stream; the declared size of an archive is not believed."""
    size = 0
    try:
        while chunk := stream.read(_CHUNK):
            size += len(chunk)
            if size > limit:
                raise ReadingError(f"{name}: unpacks to more than {limit / 1e6:.0f} MB", "Split it, or use `callout import`.")
    except (gzip.BadGzipFile, EOFError, zlib.error) as exc:
        raise ReadingError(f"{name}: damaged archive: {exc}", "Export the file again.") from exc
    return size


class Parking:
    """Uploads between preview and confirmation, in ``<workspace>/incoming/<token>/``."""

    def __init__(self, workspace: Path) -> None:
        self._folder = workspace / "incoming"

    def park(self, site: SiteDescription, files: Sequence[tuple[str, BinaryIO, Kind | None]], unpacked_bytes: int) -> str:
        """Keep uploads and return their token; nothing stays if one is refused."""
        token = secrets.token_urlsafe(24)
        place = self._folder / token
        place.mkdir(parents=True, mode=0o700)
        try:
            parked = []
            for n, (name, stream, kind) in enumerate(files):
                path = place / f"upload-{n}"
                with path.open("wb") as out:
                    shutil.copyfileobj(stream, out, _CHUNK)
                shown = shown_name(name)
                check_content(shown, path, unpacked_bytes)
                try:
                    parked.append(Parked(shown, str(path), kind or kind_of_file(path, site)))
                except CalloutError as exc:
                    raise type(exc)(exc.message.replace(str(path), shown), exc.remedy) from exc
            (place / "parked.json").write_text(json.dumps([site.site.id, [asdict(p) for p in parked]]), encoding="utf-8")
        except BaseException:
            shutil.rmtree(place, ignore_errors=True)
            raise
        return token

    def get(self, token: str) -> tuple[str, list[Parked]]:
        """Site and files of a token.

        Raises
        ------
        UsageError : no such token any more.
        """
        place = self._place(token)
        if place is None:
            raise UsageError("this upload is no longer here", "Send the files again.")
        site, parked = json.loads((place / "parked.json").read_text(encoding="utf-8"))
        return site, [Parked(**p) for p in parked]

    def drop(self, token: str) -> None:
        place = self._place(token)
        if place is not None:
            shutil.rmtree(place, ignore_errors=True)

    def clear(self, now: float) -> int:
        """Remove what nobody confirmed within a day."""
        old = [p for p in self._folder.glob("*") if p.is_dir() and now - p.stat().st_mtime > PARKED_S]
        for place in old:
            shutil.rmtree(place, ignore_errors=True)
        return len(old)

    def _place(self, token: str) -> Path | None:
        if not re.fullmatch(r"[A-Za-z0-9_-]{32}", token):
            return None
        place = self._folder / token
        return place if (place / "parked.json").is_file() else None


def take_in(store: Store, files: Sequence[Parked], now: float) -> ImportReport:
    """Import parked files into a store, all or nothing, under the names people know them by; ``now`` in UTC epoch seconds."""
    before = store.db.conn.execute("SELECT COALESCE(MAX(id), 0) FROM import_run").fetchone()[0]
    by_kind = {kind: [f.path for f in files if f.kind == kind] for kind in KINDS}
    report = import_files(store, by_kind["telemetry"], by_kind["weather"], by_kind["log"], now=now)
    with store.transaction() as db:
        for f in files:
            db.execute("UPDATE import_run SET source = replace(source, ?, ?) WHERE id > ?", (f.path, f.name, before))
    return report


def named(text: str, files: Sequence[Parked]) -> str:
    """A message with our places on disk replaced by the names people know."""
    for f in files:
        text = text.replace(f.path, f.name)
    return text
