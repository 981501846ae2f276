"""Who may enter: users, argon2 hashes, sessions, and the brake on guessing.

Roles: a *viewer* reads every page; an *operator* also changes things. Both are
kept in ``service.sqlite``. The parameters of the hash are RFC 9106's second
recommended option (argon2id, 64 MiB, 3 passes, 4 lanes), above the minimum of
OWASP's Password Storage Cheat Sheet (argon2id, 19 MiB, 2 passes, 1 lane; from memory).
"""

from __future__ import annotations

import hashlib
import secrets
import threading
from dataclasses import dataclass
from functools import cache
from typing import Final, Literal

import argon2
from argon2.profiles import RFC_9106_LOW_MEMORY

from collectors.errors import UsageError
from triage.service.state import ServiceState

Role = Literal["viewer", "operator"]

#: NIST SP 800-63B: at least 8 characters, at least 64 allowed, no composition
#: rules (from memory); 12 is our own choice for a password without a second factor.
MIN_PASSWORD: Final = 12
MAX_PASSWORD: Final = 256

_HASHER = argon2.PasswordHasher.from_parameters(RFC_9106_LOW_MEMORY)
#: One hash at a time: 64 MiB each, so a flood of logins cannot exhaust memory.
_HASH_GATE = threading.Semaphore(2)


@cache
def _nobody() -> str:
    """A hash to check when the name is unknown, so that the answer takes as long."""
    return _HASHER.hash(secrets.token_hex(16))


@dataclass(frozen=True)
class Person:
    """Who is asking; ``csrf_key`` ties forms to the browser they were made for."""

    name: str
    role: Role
    csrf_key: str

    @property
    def may_change(self) -> bool:
        return self.role == "operator"


def add_user(state: ServiceState, name: str, password: str, role: Role, at: str, *, replace: bool = False) -> None:
    """Create a user, or with ``replace`` give an existing one a new password and role.

    Raises
    ------
    UsageError : name taken or odd, password too short or too long.
    """
    if not name or len(name) > 64 or not name.isprintable() or name != name.strip():
        raise UsageError(f"user name {name!r} cannot be used", "Use 1 to 64 printable characters.")
    if not MIN_PASSWORD <= len(password) <= MAX_PASSWORD:
        raise UsageError(
            f"the password has {len(password)} characters",
            f"Use {MIN_PASSWORD} to {MAX_PASSWORD}; a few words in a row are easy to keep.",
        )
    hashed = _HASHER.hash(password)
    with state.connect() as db:
        known = db.execute("SELECT 1 FROM user WHERE name = ?", (name,)).fetchone()
        if known and not replace:
            raise UsageError(f"user '{name}' exists already", f"`callout users password {name}` changes the password.")
        if not known and replace:
            raise UsageError(f"no user '{name}'", "`callout users list` shows them.")
        db.execute("DELETE FROM session WHERE user = ?", (name,))
        db.execute(
            "INSERT INTO user VALUES (?, ?, ?, ?) ON CONFLICT(name) DO UPDATE SET role = excluded.role, hash = excluded.hash",
            (name, role, hashed, at),
        )


def remove_user(state: ServiceState, name: str) -> None:
    """Remove a user and end their sessions."""
    with state.connect() as db:
        if db.execute("DELETE FROM user WHERE name = ?", (name,)).rowcount == 0:
            raise UsageError(f"no user '{name}'", "`callout users list` shows them.")


def users(state: ServiceState) -> list[tuple[str, Role, str]]:
    """(name, role, created at) of each user."""
    with state.connect() as db:
        return list(db.execute("SELECT name, role, created_at FROM user ORDER BY name"))


def check_password(state: ServiceState, name: str, password: str) -> Role | None:
    """The user's role, or None; takes as long for a name nobody has."""
    with state.connect() as db:
        row = db.execute("SELECT role, hash FROM user WHERE name = ?", (name,)).fetchone()
    role, hashed = row or (None, _nobody())
    try:
        with _HASH_GATE:
            _HASHER.verify(hashed, password[: MAX_PASSWORD + 1])
    except (argon2.exceptions.VerificationError, argon2.exceptions.InvalidHashError):
        return None
    if role is not None and _HASHER.check_needs_rehash(hashed):
        with state.connect() as db:
            db.execute("UPDATE user SET hash = ? WHERE name = ?", (_HASHER.hash(password), name))
    return role


class Sessions:
    """Logins that are open. Only a hash of the token is stored."""

    def __init__(self, state: ServiceState, hours: float, idle_minutes: float) -> None:
        self._state = state
        self._life_s = hours * 3600
        self._idle_s = idle_minutes * 60

    def start(self, user: str, now: float) -> str:
        """Open a session; returns the token for the cookie."""
        token = secrets.token_urlsafe(32)
        with self._state.connect() as db:
            db.execute(
                "DELETE FROM session WHERE created_ts < ? OR seen_ts < ?",
                (now - self._life_s, now - self._idle_s),
            )
            db.execute("INSERT INTO session VALUES (?, ?, ?, ?)", (_digest(token), user, now, now))
        return token

    def person(self, token: str, now: float) -> Person | None:
        """Who holds this token, if it still counts."""
        with self._state.connect() as db:
            row = db.execute(
                "SELECT s.user, u.role, s.created_ts, s.seen_ts FROM session s JOIN user u ON u.name = s.user"
                " WHERE s.token_hash = ?",
                (_digest(token),),
            ).fetchone()
            if row is None or now - row[2] > self._life_s or now - row[3] > self._idle_s:
                return None
            if now - row[3] > 60:
                db.execute("UPDATE session SET seen_ts = ? WHERE token_hash = ?", (now, _digest(token)))
        return Person(row[0], row[1], _digest("csrf" + token))

    def end(self, token: str) -> None:
        with self._state.connect() as db:
            db.execute("DELETE FROM session WHERE token_hash = ?", (_digest(token),))


class Brake:
    """At most ``limit`` tries per key in ``window_s`` seconds; memory only, bounded."""

    def __init__(self, limit: int, window_s: float, max_keys: int = 10_000) -> None:
        self._limit, self._window_s, self._max_keys = limit, window_s, max_keys
        self._tries: dict[str, list[float]] = {}
        self._lock = threading.Lock()

    def wait_s(self, key: str, now: float) -> float:
        """Seconds until another try is allowed; 0 is now."""
        with self._lock:
            recent = [t for t in self._tries.get(key, ()) if 0 <= now - t < self._window_s]
        return 0.0 if len(recent) < self._limit else self._window_s - (now - recent[-self._limit])

    def count(self, key: str, now: float) -> None:
        with self._lock:
            recent = [t for t in self._tries.get(key, ()) if 0 <= now - t < self._window_s]
            self._tries[key] = [*recent, now][-self._limit :]
            while len(self._tries) > self._max_keys:
                self._tries.pop(next(iter(self._tries)))

    def forget(self, key: str) -> None:
        with self._lock:
            self._tries.pop(key, None)


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()
