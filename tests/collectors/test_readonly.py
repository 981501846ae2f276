"""Files that cannot be written are read all the same, and say so when somebody writes."""

from __future__ import annotations

import os
import resource
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import pytest

from collectors import readonly
from collectors.errors import StoreError
from collectors.store import Store
from tests.rules.make import make_roof, site_text


@pytest.fixture
def lock(monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest) -> Callable[[Path], None]:
    """Takes the right to write from a folder and all below it, until the test ends."""
    # Root may write anywhere: here the bits count for root, too.
    asked = os.access

    def access(path: Path, mode: int, **how: Any) -> bool:
        return bool(Path(path).stat().st_mode & 0o200) if mode == os.W_OK else asked(path, mode, **how)

    monkeypatch.setattr(os, "access", access)

    def chmod(folder: Path, bits: int) -> None:
        for path in (folder, *folder.rglob("*")):
            path.chmod(path.stat().st_mode & ~0o222 | bits)

    def work(folder: Path) -> None:
        request.addfinalizer(lambda: chmod(folder, 0o200))
        chmod(folder, 0)

    return work


def _site(path: Path) -> int:
    with Store.create(path, site_text()) as store:
        store.add_telemetry(make_roof(days=1).frame(), "test")
        return len(store.telemetry())


def test_a_file_at_rest_is_read(tmp_path: Path, lock: Callable[[Path], None]) -> None:
    path = tmp_path / "sites" / "a b#1.sqlite"
    path.parent.mkdir()
    rows = _site(path)
    lock(path.parent)
    before = sorted(path.parent.iterdir()), path.read_bytes()
    with Store.open(path) as store:
        assert (store.mode, len(store.telemetry())) == ("refused", rows)
        with pytest.raises(StoreError, match="cannot be written; nothing was changed"):
            store.set_meta("x", "y")
    assert (sorted(path.parent.iterdir()), path.read_bytes()) == before
    with pytest.raises(StoreError, match="cannot be written"):
        Store.create(path, site_text())


def test_what_is_written_to_a_scratch_is_forgotten(tmp_path: Path, lock: Callable[[Path], None]) -> None:
    path = tmp_path / "sites" / "a.sqlite"
    path.parent.mkdir()
    rows = _site(path)
    lock(path.parent)
    with Store.open(path, scratch=True) as store:
        store.set_meta("x", "y")
        assert (store.mode, store.meta("x"), len(store.telemetry())) == ("scratch", "y", rows)
    with Store.open(path) as store:
        assert store.meta("x") == ""


def test_a_file_that_can_be_written_is_no_scratch(tmp_path: Path) -> None:
    _site(tmp_path / "a.sqlite")
    with Store.open(tmp_path / "a.sqlite", scratch=True) as store:
        assert store.mode == "kept"


@contextmanager
def full_disk() -> Iterator[None]:
    """No file may grow. Not as a fixture: what pytest itself writes comes before a fixture's end."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (0, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def test_on_a_full_disk_a_file_is_read_and_not_written(tmp_path: Path) -> None:
    path = tmp_path / "a.sqlite"
    rows = _site(path)
    with full_disk():
        with Store.open(path) as store:
            seen = (store.mode, len(store.telemetry()))
            with pytest.raises(StoreError, match="nothing was changed") as refused:
                store.set_meta("x", "y")
        with Store.open(path, scratch=True) as store:
            store.set_meta("x", "y")
            forgotten = store.meta("x")
        with closing(readonly.reader(path)) as db:
            kept = db.execute("SELECT count(*) FROM meta WHERE key = 'x'").fetchone()[0]
    assert (seen, forgotten, kept) == (("refused", rows), "y", 0)
    assert "space" in refused.value.remedy


def test_who_keeps_a_file_open_to_write_is_not_left_with_one_that_forgets(tmp_path: Path) -> None:
    path = tmp_path / "a.sqlite"
    _site(path)
    with full_disk(), pytest.raises(StoreError, match="nothing was changed"):
        Store.open(path, scratch=True).to_write()


@pytest.mark.parametrize("died", [False, True])
def test_what_stands_only_in_the_log_is_read_too(tmp_path: Path, lock: Callable[[Path], None], died: bool) -> None:
    folder, path = tmp_path / "sites", tmp_path / "sites" / "a.sqlite"
    folder.mkdir()
    with closing(sqlite3.connect(path)) as writer:
        writer.execute("PRAGMA journal_mode = WAL")
        writer.execute("CREATE TABLE t (x)")
        writer.execute("INSERT INTO t VALUES (7)")
        writer.commit()
        if died:  # a log and no memory shared with anyone: its writer was killed
            left: dict[str, Any] = {p.name: p.read_bytes() for p in folder.iterdir() if not p.name.endswith("-shm")}
            folder = tmp_path / "killed"
            folder.mkdir()
            for name, content in left.items():
                (folder / name).write_bytes(content)
        lock(folder)
        with closing(readonly.connect(folder / "a.sqlite")) as reader:
            assert reader.execute("SELECT x FROM t").fetchall() == [(7,)]
