"""A store in trouble: killed in the middle, a full disk, no rights, two at once."""

from __future__ import annotations

import multiprocessing
import os
import resource
import signal
import sqlite3
import time
from multiprocessing.connection import Connection
from pathlib import Path

import pandas as pd
import pytest
from csvfiles import SITE_TOML, truth

from collectors.errors import StoreError
from collectors.store import Store

_FORK = multiprocessing.get_context("fork")


def _add(path: Path, frame: pd.DataFrame, ready: Connection) -> None:
    ready.send("ready")
    ready.recv()
    ready.send("begun")
    with Store.open(path) as store:
        store.add_telemetry(frame, "another process")
    ready.send("done")


class Writer:
    """Another process, forked so that it starts at once; it adds a frame when told to."""

    def __init__(self, path: Path, frame: pd.DataFrame) -> None:
        self._line, line = _FORK.Pipe()
        self.process = _FORK.Process(target=_add, args=(path, frame, line))
        self.process.start()
        line.close()
        assert self._line.recv() == "ready"

    def go(self) -> None:
        """Tell it to begin, and see that it does.

        Killed with the word still unread, it would reset the line instead of ending it, and the kill would test nothing.
        """
        self._line.send("go")
        assert self._line.recv() == "begun"

    def wait(self) -> bool:
        """Whether it got to its end."""
        try:
            done: bool = self._line.recv() == "done"
        except EOFError:
            done = False
        self.process.join(60)
        self._line.close()
        return done


def state(path: Path) -> tuple[int, int, str]:
    db = sqlite3.connect(path)
    try:
        (samples,) = db.execute("SELECT count(*) FROM input_sample").fetchone()
        (runs,) = db.execute("SELECT count(*) FROM import_run").fetchone()
        (sound,) = db.execute("PRAGMA integrity_check").fetchone()
    finally:
        db.close()
    return samples, runs, sound


def test_killed_at_any_moment_leaves_all_or_nothing(tmp_path: Path) -> None:
    small, large = truth(2), truth(24 * 6, step=60)
    timed = tmp_path / "timed.sqlite"
    Store.create(timed, SITE_TOML).close()
    writer = Writer(timed, large)
    writer.go()
    begun = time.monotonic()
    assert writer.wait()
    span = time.monotonic() - begun
    outcomes = []
    for k, share in enumerate((0.02, 0.15, 0.3, 0.5, 0.7, 0.85, 0.95, 1.0)):
        path = tmp_path / f"{k}.sqlite"
        with Store.create(path, SITE_TOML) as store:
            store.add_telemetry(small, "before")
        writer = Writer(path, large)
        writer.go()
        time.sleep(span * share)
        os.kill(writer.process.pid or 0, signal.SIGKILL)
        writer.wait()
        samples, runs, sound = state(path)
        assert sound == "ok"
        # The times of the small frame are among those of the large one.
        assert (samples, runs) in {(len(small), 1), (len(large), 2)}
        outcomes.append(runs)
    # What was interrupted is simply done again.
    with Store.open(tmp_path / "2.sqlite") as store:
        store.add_telemetry(large, "again")
    assert state(tmp_path / "2.sqlite")[0] == len(large)
    assert 1 in outcomes


def test_two_imports_at_once_both_land(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    Store.create(path, SITE_TOML).close()
    frame = truth(48, step=60)
    half = len(frame) // 2
    writers = [Writer(path, frame.head(half + 600)), Writer(path, frame.tail(half + 600))]
    for writer in writers:
        writer.go()
    assert [writer.wait() for writer in writers] == [True, True]
    assert state(path) == (len(frame), 2, "ok")
    with Store.open(path) as store:
        pd.testing.assert_frame_equal(store.telemetry(), frame)


def test_a_writer_that_does_not_end_is_named(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    Store.create(path, SITE_TOML).close()
    blocker = sqlite3.connect(path, isolation_level=None)
    blocker.execute("BEGIN IMMEDIATE")
    with Store.open(path) as store:
        store.db.execute("PRAGMA busy_timeout = 50")
        with pytest.raises(StoreError, match="locked") as caught:
            store.add_telemetry(truth(1), "a")
        assert "Another import is writing" in caught.value.remedy
        blocker.execute("ROLLBACK")
        blocker.close()
        assert store.add_telemetry(truth(1), "a").rows_new == len(truth(1))


def test_a_full_disk_is_named_and_nothing_is_half_stored(tmp_path: Path) -> None:
    # SQLITE_FULL (result code 13, sqlite.org/rescode.html) is what a full disk and max_page_count both give.
    path = tmp_path / "s.sqlite"
    with Store.create(path, SITE_TOML) as store:
        store.add_telemetry(truth(1), "before")
        pages = store.db.execute("PRAGMA page_count").fetchone()[0]
        store.db.execute(f"PRAGMA max_page_count = {pages + 3}")
        with pytest.raises(StoreError, match="full") as caught:
            store.add_telemetry(truth(36), "too much")
        assert "space" in caught.value.remedy
        assert len(store.telemetry()) == len(truth(1))
        store.db.execute("PRAGMA max_page_count = 1000000")
        assert store.add_telemetry(truth(36), "again").rows_new == len(truth(36)) - len(truth(1))
    assert state(path)[2] == "ok"


def test_a_file_that_may_not_grow_is_named(tmp_path: Path) -> None:
    """The operating system refuses to let any file grow: the same as a disk that fills while writing."""
    path = tmp_path / "s.sqlite"
    with Store.create(path, SITE_TOML) as store:
        store.add_telemetry(truth(1), "before")
        soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
        ignored = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, hard))
        try:
            with pytest.raises(StoreError) as caught:
                store.add_telemetry(truth(36, step=60), "too much")
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
            signal.signal(signal.SIGXFSZ, ignored)
        assert "s.sqlite" in caught.value.message
        assert len(store.telemetry()) == len(truth(1))
    assert state(path)[2] == "ok"


def test_a_store_that_may_only_be_read_is_named(tmp_path: Path) -> None:
    # Root may write anywhere, so the connection itself is made read-only, as a read-only file system would.
    path = tmp_path / "s.sqlite"
    Store.create(path, SITE_TOML).close()
    db = sqlite3.connect(f"file:{path}?mode=ro", uri=True, isolation_level=None)
    store = Store(db, path)
    with pytest.raises(StoreError, match="readonly") as caught:
        store.add_telemetry(truth(1), "a")
    assert "rights" in caught.value.remedy
    store.close()


def test_a_folder_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(StoreError, match="unable to open"):
        Store.create(tmp_path / "file" / "s.sqlite", SITE_TOML)


def test_a_damaged_file_is_named(tmp_path: Path) -> None:
    path = tmp_path / "s.sqlite"
    with Store.create(path, SITE_TOML) as store:
        store.add_telemetry(truth(36), "a")
    data = bytearray(path.read_bytes())
    data[4096 * 4 : 4096 * 30] = b"\xa5" * (4096 * 26)
    path.write_bytes(data)

    def read() -> None:
        with Store.open(path) as store:
            store.telemetry()

    with pytest.raises(StoreError, match=r"malformed|not a database") as caught:
        read()
    assert "backup" in caught.value.remedy
