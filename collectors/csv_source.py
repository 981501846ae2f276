"""Getting bytes: plain, gzip or zip, whatever the name says. No parsing here."""

from __future__ import annotations

import gzip
import io
import zipfile
import zlib
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from collectors.errors import ReadingError

#: More than this from one archive is refused: far above a decade of one site.
MAX_BYTES = 8 << 30
_CHUNK = 1 << 20
_DAMAGED = (zipfile.BadZipFile, gzip.BadGzipFile, EOFError, zlib.error, NotImplementedError, RuntimeError)


@dataclass(frozen=True)
class Source:
    """One table of bytes with the name that errors use; ``open`` starts from its first byte."""

    name: str
    open: Callable[[], BinaryIO]

    def header_only(self, known: Iterable[str]) -> bool:
        """Whether the table is one line of canonical names and nothing else: nothing happened, nothing is wrong."""
        head = self.head()
        lines = [line for line in head.decode("utf-8-sig", "replace").splitlines() if line.strip()]
        return len(lines) == 1 and {c.strip() for c in lines[0].split(",")} <= {"timestamp", *known}

    def head(self, size: int = 1 << 16) -> bytes:
        with guarded(self.name, self.open) as stream:
            return stream.read(size)

    def bytes(self) -> bytes:
        """The whole content.

        Raises
        ------
        ReadingError : not readable, a damaged archive, or absurdly large.
        """
        parts, size = [], 0
        with guarded(self.name, self.open) as stream:
            while chunk := stream.read(_CHUNK):
                parts.append(chunk)
                size += len(chunk)
                if size > MAX_BYTES:
                    raise ReadingError(f"{self.name}: larger than {MAX_BYTES >> 30} GiB", "Split the file.")
        return b"".join(parts)


class guarded:  # noqa: N801 - used as a function, like open()
    """Open a source; what the file system or an archive complains about becomes a ReadingError."""

    def __init__(self, name: str, opener: Callable[[], BinaryIO]) -> None:
        self._name, self._opener = name, opener
        self._stream: BinaryIO | None = None

    def __enter__(self) -> BinaryIO:
        try:
            self._stream = self._opener()
        except BaseException as exc:
            self._translate(exc)
            raise
        return self._stream

    def __exit__(self, kind: object, exc: BaseException | None, trace: object) -> None:
        if self._stream is not None:
            self._stream.close()
        if exc is not None:
            self._translate(exc)

    def _translate(self, exc: BaseException) -> None:
        if isinstance(exc, _DAMAGED):
            raise ReadingError(
                f"{self._name}: damaged or protected archive: {exc}",
                "Export the file again, or unpack it first.",
            ) from exc
        if isinstance(exc, OSError):
            raise ReadingError(f"{self._name}: cannot be read: {exc.strerror or exc}", "Check the path and its rights.") from exc


_NOT_TEXT = {
    b"\xd0\xcf\x11\xe0": "a spreadsheet or document of the old binary kind",
    b"%PDF": "a PDF",
    b"PAR1": "a Parquet file",
    b"SQLi": "an SQLite database",
    b"\x89PNG": "a PNG image",
    b"\xff\xd8\xff": "a JPEG image",
}


def sources(path: str | Path) -> list[Source]:
    """The tables in a file: one, or one per member of a zip archive.

    Raises
    ------
    ReadingError : no such file, empty, or a damaged archive.
    """
    path = Path(path)
    name = str(path)
    with guarded(name, lambda: path.open("rb")) as stream:
        magic = stream.read(4)
    if not magic:
        raise ReadingError(f"{name}: the file is empty", "Export it again.")
    for sign, what in _NOT_TEXT.items():
        if magic.startswith(sign):
            raise ReadingError(f"{name}: {what}, not a table of text", "Save or export it as CSV.")
    if magic[:2] == b"\x1f\x8b":
        return [Source(name, lambda: _gunzip(path))]
    if magic == b"PK\x03\x04":
        return _members(path)
    return [Source(name, lambda: path.open("rb"))]


def from_bytes(data: bytes, name: str) -> Source:
    """A source held in memory."""
    return Source(name, lambda: io.BytesIO(data))


def _gunzip(path: Path) -> BinaryIO:
    return gzip.open(path, "rb")  # type: ignore[return-value]


def _members(path: Path) -> list[Source]:
    with guarded(str(path), lambda: path.open("rb")) as stream, zipfile.ZipFile(stream) as archive:
        infos = [i for i in archive.infolist() if not i.is_dir() and not _is_litter(i.filename)]
    if any(i.filename == "[Content_Types].xml" for i in infos):
        raise ReadingError(f"{path}: a spreadsheet workbook, not a table of text", "Save its sheet as CSV.")
    if not infos:
        raise ReadingError(f"{path}: the archive holds no file", "Put the exported table into it.")

    def opener(member: str) -> Callable[[], BinaryIO]:
        return lambda: zipfile.ZipFile(path).open(member)  # type: ignore[return-value]

    return [Source(f"{path}!{i.filename}", opener(i.filename)) for i in infos]


def _is_litter(name: str) -> bool:
    parts = name.split("/")
    return parts[0] == "__MACOSX" or parts[-1].startswith(".")
