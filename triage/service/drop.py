"""The drop folder: ``drop/SITE/`` takes exports; what is taken moves to ``done``, what is not to ``refused``.

A file counts as complete when two looks in a row found the same size and time.
Links and hidden or half-loaded files are left alone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import structlog

from collectors.errors import CalloutError, UsageError
from triage.fleet.index import FleetIndex
from triage.importing import kind_of_file
from triage.service.dusk import iso_time
from triage.service.intake import Parked, check_content, named, shown_name, take_in
from triage.service.state import ServiceState
from triage.workspace import Workspace

log = structlog.get_logger("callout.drop")

_UNFINISHED = (".part", ".tmp", ".crdownload", ".filepart", ".partial")


@dataclass(frozen=True)
class Dropped:
    """What became of one file."""

    name: str
    site: str
    outcome: str
    detail: str


@dataclass
class DropFolder:
    """Looks at the folder and imports what is complete.

    Parameters
    ----------
    check : called with a site that got new rows.
    """

    workspace: Path
    folder: Path
    state: ServiceState
    clock: Callable[[], float]
    unpacked_bytes: int
    check: Callable[[str], object] = lambda _: None
    _seen: dict[Path, tuple[int, int]] = field(default_factory=dict)

    def prepare(self) -> None:
        """One folder per site, so that people see where files go."""
        for site in Workspace(self.workspace).site_ids():
            (self.folder / site).mkdir(parents=True, exist_ok=True)

    def look(self) -> list[Dropped]:
        """Take in what is complete; each file is its own import, so one bad file stops no other."""
        self.prepare()
        sites = Workspace(self.workspace).site_ids()
        found: list[Dropped] = []
        ready: dict[Path, tuple[int, int]] = {}
        for site in sites:
            for path in self._files(self.folder / site):
                stat = path.stat()
                ready[path] = (stat.st_size, stat.st_mtime_ns)
                if self._seen.get(path) == ready[path]:
                    found.append(self._take(site, path))
                    ready.pop(path)
        for path in self._files(self.folder):
            stat = path.stat()
            ready[path] = (stat.st_size, stat.st_mtime_ns)
            if self._seen.get(path) == ready[path]:
                problem = UsageError("it lies beside the sites' folders", "Put it into the folder of its site.")
                found.append(self._refuse("", path, problem))
                ready.pop(path)
        self._seen = ready
        for site in dict.fromkeys(d.site for d in found if d.outcome == "imported"):
            self.check(site)
        return found

    def _files(self, folder: Path) -> list[Path]:
        if not folder.is_dir() or folder.is_symlink():
            return []
        return sorted(
            p for p in folder.iterdir()
            if p.is_file() and not p.is_symlink() and not p.name.startswith(".")
            and not p.name.lower().endswith(_UNFINISHED)
        )  # fmt: skip

    def _take(self, site: str, path: Path) -> Dropped:
        name = shown_name(path.name)
        try:
            check_content(name, path, self.unpacked_bytes)
            with Workspace(self.workspace).open(site) as store:
                parked = Parked(name, str(path), kind_of_file(path, store.site))
                report = take_in(store, [parked], self.clock())
                FleetIndex(self.workspace).refresh(store)
        except CalloutError as exc:
            return self._refuse(site, path, exc)
        new = sum(r.rows_new for r in report.results)
        rejected = sum(report.rejected_rows.values())
        outcome = "imported" if new else "nothing new"
        return self._keep(site, path, "done", Dropped(name, site, outcome, f"{new} new rows, {rejected} rejected"))

    def _refuse(self, site: str, path: Path, problem: CalloutError) -> Dropped:
        name = shown_name(path.name)
        parked = [Parked(name, str(path), "telemetry")]
        text = named(problem.message, parked)
        dropped = Dropped(name, site, "refused", text)
        return self._keep(site, path, "refused", dropped, named(str(problem), parked))

    def _keep(self, site: str, path: Path, where: str, dropped: Dropped, reason: str = "") -> Dropped:
        at = iso_time(self.clock())
        place = self.folder / where / site
        place.mkdir(parents=True, exist_ok=True)
        target = _free(place / f"{at[:10]}-{path.name}")
        path.replace(target)
        if reason:
            Path(f"{target}.reason.txt").write_text(reason + "\n", encoding="utf-8")
        with self.state.connect() as db:
            db.execute(
                "INSERT INTO dropped_file(at, name, site, outcome, detail) VALUES (?, ?, ?, ?, ?)",
                (at, dropped.name, site, dropped.outcome, dropped.detail[:2000]),
            )
        log.info("file dropped", file=dropped.name, site=site, outcome=dropped.outcome, detail=dropped.detail)
        return dropped


def _free(path: Path) -> Path:
    """The path, or with a number where the name is taken."""
    return next(p for n in range(10_000) if not (p := path if n == 0 else path.with_name(f"{n}-{path.name}")).exists())
