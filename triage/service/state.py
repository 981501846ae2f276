"""The service's own file, ``service.sqlite``: who may enter, what was done, what was worked off.

Nothing here is needed to read a site's file, and everything about sites here
can be rebuilt from theirs; users, audit trail and nights cannot, so back it up.
"""

from __future__ import annotations

import secrets
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from collectors import readonly
from collectors.errors import StoreError

FILE_NAME = "service.sqlite"

_SCHEMA = """
CREATE TABLE IF NOT EXISTS meta (key TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS user (name TEXT PRIMARY KEY,
    role TEXT NOT NULL CHECK (role IN ('viewer', 'operator')),
    hash TEXT NOT NULL, created_at TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS session (token_hash TEXT PRIMARY KEY, user TEXT NOT NULL
    REFERENCES user(name) ON DELETE CASCADE, created_ts REAL NOT NULL, seen_ts REAL NOT NULL);
CREATE TABLE IF NOT EXISTS audit (id INTEGER PRIMARY KEY, at TEXT NOT NULL, who TEXT NOT NULL,
    action TEXT NOT NULL, site TEXT NOT NULL DEFAULT '', detail TEXT NOT NULL DEFAULT '');
CREATE TRIGGER IF NOT EXISTS audit_is_never_changed BEFORE UPDATE ON audit
    BEGIN SELECT RAISE(ABORT, 'the audit trail is append-only'); END;
CREATE TRIGGER IF NOT EXISTS audit_is_never_deleted BEFORE DELETE ON audit
    BEGIN SELECT RAISE(ABORT, 'the audit trail is append-only'); END;
CREATE TABLE IF NOT EXISTS night (site TEXT NOT NULL, day INTEGER NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('running', 'done', 'failed')), attempts INTEGER NOT NULL DEFAULT 1,
    started_ts REAL NOT NULL, finished_ts REAL, error TEXT NOT NULL DEFAULT '',
    PRIMARY KEY (site, day)) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS news (site TEXT NOT NULL, day INTEGER NOT NULL, finding INTEGER NOT NULL,
    change TEXT NOT NULL, at TEXT NOT NULL, PRIMARY KEY (site, day, finding, change)) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS dropped_file (id INTEGER PRIMARY KEY, at TEXT NOT NULL, name TEXT NOT NULL,
    site TEXT NOT NULL, outcome TEXT NOT NULL, detail TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS sent (key TEXT PRIMARY KEY, at TEXT NOT NULL, outcome TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS held_message (id INTEGER PRIMARY KEY, key TEXT NOT NULL UNIQUE, at TEXT NOT NULL,
    kind TEXT NOT NULL, title TEXT NOT NULL, body TEXT NOT NULL);
"""


class ServiceState:
    """Opens the file; every use is one short connection, safe from any thread.

    Parameters
    ----------
    folder : the workspace.
    reading : nothing will be changed: a file that cannot be written, or cannot even be read, is no error then
        (:attr:`hidden`).
    """

    def __init__(self, folder: Path, *, reading: bool = False) -> None:
        self.path = folder / FILE_NAME
        self._scratch: sqlite3.Connection | None = None
        #: There is a file, and it may not be read.
        self.hidden = False
        if reading and not readonly.writable(self.path):
            self._scratch = self._copy()
        try:
            if self._scratch is not None:
                self._scratch.executescript(_SCHEMA)
                return
            folder.mkdir(parents=True, exist_ok=True)
            new = not self.path.exists()
            with self.connect() as db:
                db.execute("PRAGMA journal_mode = WAL")
                db.executescript(_SCHEMA)
                db.execute("INSERT OR IGNORE INTO meta VALUES ('secret', ?)", (secrets.token_hex(32),))
            if new:
                # It holds password hashes and the secret that signs tokens.
                self.path.chmod(0o600)
        except (OSError, sqlite3.OperationalError) as exc:
            if not (reading and readonly.no_room(exc)):
                raise self._cannot_open(exc) from exc
            self._scratch = self._copy()
            self._scratch.executescript(_SCHEMA)

    @contextmanager
    def connect(self) -> Iterator[sqlite3.Connection]:
        """One transaction on a fresh connection."""
        if self._scratch is not None:
            with self._scratch:
                yield self._scratch
            return
        try:
            db = sqlite3.connect(self.path, timeout=30.0)
        except sqlite3.Error as exc:
            raise self._cannot_open(exc) from exc
        try:
            db.execute("PRAGMA foreign_keys = ON")
            db.execute("PRAGMA synchronous = NORMAL")
            with db:
                yield db
        finally:
            db.close()

    def _copy(self) -> sqlite3.Connection:
        try:
            return readonly.scratch(self.path, any_thread=True)
        except (sqlite3.Error, OSError):
            self.hidden = self.path.exists()
            return sqlite3.connect(":memory:", check_same_thread=False)

    def _cannot_open(self, problem: Exception) -> StoreError:
        told = problem.strerror if isinstance(problem, OSError) else problem
        return StoreError(
            f"{self.path}: cannot be opened: {told}",
            "Check that you may write to the workspace and that its disk has room, or choose another --workspace.",
        )

    def meta(self, key: str, default: str = "") -> str:
        with self.connect() as db:
            row = db.execute("SELECT value FROM meta WHERE key = ?", (key,)).fetchone()
        return str(row[0]) if row else default

    def set_meta(self, key: str, value: str) -> None:
        with self.connect() as db:
            db.execute("INSERT OR REPLACE INTO meta VALUES (?, ?)", (key, value))

    @property
    def secret(self) -> bytes:
        return bytes.fromhex(self.meta("secret"))

    # -- audit trail -----------------------------------------------------

    def record(self, at: str, who: str, action: str, site: str = "", detail: str = "") -> None:
        """Add one line to the audit trail; there is no way to change or delete one."""
        with self.connect() as db:
            db.execute(
                "INSERT INTO audit(at, who, action, site, detail) VALUES (?, ?, ?, ?, ?)",
                (at, who, action, site, detail[:2000]),
            )

    def audit(self, limit: int = 200, site: str | None = None) -> list[dict[str, str]]:
        """Newest lines first."""
        where, args = ("WHERE site = ?", [site]) if site else ("", [])
        with self.connect() as db:
            rows = db.execute(
                f"SELECT at, who, action, site, detail FROM audit {where} ORDER BY id DESC LIMIT ?",
                [*args, limit],
            ).fetchall()
        return [dict(zip(("at", "who", "action", "site", "detail"), row, strict=True)) for row in rows]
