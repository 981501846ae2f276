"""Text to a file that somebody named: whole or not at all."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

from collectors.errors import StoreError


def write_text(path: Path, text: str, remedy: str = "Choose another place.") -> None:
    """Write beside the file, then move over it, so that no half file is ever seen; its folder is made.

    Raises
    ------
    StoreError : the file cannot be written; one that was there stays.
    """
    target = path.resolve()  # a link stays a link
    part = target.parent / f".{target.name}.{os.getpid()}.part"
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        if target.exists() and not target.is_file():
            target.write_text(text, encoding="utf-8")  # a pipe or terminal is written to, never moved over
        else:
            part.write_text(text, encoding="utf-8")
            part.replace(target)
    except OSError as exc:
        with suppress(OSError):
            part.unlink()
        raise StoreError(f"{path}: cannot be written: {exc.strerror}", remedy) from exc
