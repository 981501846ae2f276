"""Which nights were claimed, done or failed; a night is claimed by one worker, once."""

from __future__ import annotations

from dataclasses import dataclass

from triage.service.state import ServiceState

MAX_ATTEMPTS = 3
#: A failed night is tried again after this long, doubled each time.
RETRY_S = 600.0


@dataclass(frozen=True)
class Night:
    """One row: ``state`` is running, done or failed."""

    site: str
    day: int
    state: str
    attempts: int
    started_ts: float
    finished_ts: float | None
    error: str


class Nights:
    """The table of nights in ``service.sqlite``."""

    def __init__(self, state: ServiceState) -> None:
        self._state = state

    def claim(self, site: str, day: int, now: float) -> bool:
        """Take a night; False when it is done, running, or failed and not yet to be retried."""
        with self._state.connect() as db:
            cursor = db.execute(
                "INSERT INTO night(site, day, state, started_ts) VALUES (?, ?, 'running', ?)"
                " ON CONFLICT(site, day) DO UPDATE SET state = 'running', attempts = attempts + 1,"
                " started_ts = excluded.started_ts, finished_ts = NULL, error = ''"
                " WHERE state = 'failed' AND attempts < ? AND (excluded.started_ts < finished_ts"
                " OR excluded.started_ts >= finished_ts + ? * (1 << (attempts - 1)))",
                (site, day, now, MAX_ATTEMPTS, RETRY_S),
            )
            return cursor.rowcount == 1

    def finish(self, site: str, day: int, now: float, error: str = "") -> None:
        with self._state.connect() as db:
            db.execute(
                "UPDATE night SET state = ?, finished_ts = ?, error = ? WHERE site = ? AND day = ?",
                ("failed" if error else "done", now, error[:2000], site, day),
            )

    def done(self) -> dict[str, set[int]]:
        """Nights not to be looked at again, per site: done, running, or failed for good."""
        with self._state.connect() as db:
            rows = db.execute("SELECT site, day FROM night WHERE state != 'failed' OR attempts >= ?", (MAX_ATTEMPTS,)).fetchall()
        found: dict[str, set[int]] = {}
        for site, day in rows:
            found.setdefault(site, set()).add(day)
        return found

    def recover(self, now: float) -> int:
        """After a crash: what still says running was lost, and may be taken again at once.

        Only for the holder of the workspace's lock: nobody else can be running.
        """
        with self._state.connect() as db:
            return db.execute(
                "UPDATE night SET state = 'failed', finished_ts = ?, attempts = MAX(attempts - 1, 0),"
                " error = 'the service stopped before this night was finished' WHERE state = 'running'",
                (now - RETRY_S,),
            ).rowcount

    def forget_after(self, site: str, latest: int) -> int:
        """Drop nights that have not come yet: the clock was ahead when they were taken."""
        with self._state.connect() as db:
            return db.execute("DELETE FROM night WHERE site = ? AND day > ? AND state != 'running'", (site, latest)).rowcount

    def last(self, limit: int = 50) -> list[Night]:
        """Newest first."""
        with self._state.connect() as db:
            rows = db.execute(
                "SELECT site, day, state, attempts, started_ts, finished_ts, error FROM night"
                " ORDER BY day DESC, started_ts DESC LIMIT ?",
                (limit,),
            ).fetchall()
        return [Night(*row) for row in rows]

    def count(self, state: str) -> int:
        with self._state.connect() as db:
            return int(db.execute("SELECT COUNT(*) FROM night WHERE state = ?", (state,)).fetchone()[0])
