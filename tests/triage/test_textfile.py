"""Text goes to the file that was named, whole or not at all."""

from __future__ import annotations

import os
import threading
from pathlib import Path

import pytest

from collectors.errors import StoreError
from triage.textfile import write_text


def test_what_cannot_be_written_leaves_what_was_there(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("a file, not a folder")
    with pytest.raises(StoreError, match="cannot be written"):
        write_text(tmp_path / "taken" / "report.html", "new")
    assert (tmp_path / "taken").read_text() == "a file, not a folder"
    assert [p.name for p in tmp_path.iterdir()] == ["taken"]


def test_a_folder_is_no_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    for folder in (Path(), tmp_path):
        with pytest.raises(StoreError, match="cannot be written: Is a directory"):
            write_text(folder, "new")
    assert not list(tmp_path.iterdir())


def test_a_link_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "latest.html").symlink_to("of-today.html")
    write_text(tmp_path / "latest.html", "new")
    assert (tmp_path / "latest.html").is_symlink()
    assert (tmp_path / "of-today.html").read_text() == "new"


def test_a_pipe_is_written_to_and_stays_one(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    got: list[str] = []
    reader = threading.Thread(target=lambda: got.append(pipe.read_text()), daemon=True)
    reader.start()
    write_text(pipe, "new")
    reader.join(60)
    assert got == ["new"]
    assert pipe.is_fifo()
