"""Files into frames, and frames into a site's store: all of them or nothing."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, get_args

import pandas as pd

from collectors.columns import EVENT_COLUMNS, TELEMETRY_COLUMNS, WEATHER_COLUMNS
from collectors.csv_kind import kind_of
from collectors.csv_layout import Layout
from collectors.csv_reading import Kind, Reading
from collectors.csv_source import sources
from collectors.csv_telemetry import read_telemetry
from collectors.errors import UsageError
from collectors.log_csv import read_log
from collectors.site import SiteDescription
from collectors.store import ImportResult, Store
from collectors.weather_csv import read_weather
from triage.tocome import without_days_to_come

Paths = Iterable[str | Path]
KINDS: Final[tuple[Kind, ...]] = get_args(Kind)
#: Called with a text for the step under way.
Progress = Callable[[str], None]


@dataclass(frozen=True)
class Loaded:
    """Frames of loose files, and an account of what is not in them.

    ``rejected_rows`` and ``emptied_values`` count by reason; ``readings`` has
    the details of each file.
    """

    telemetry: pd.DataFrame
    weather: pd.DataFrame
    events: pd.DataFrame
    rejected_rows: dict[str, int] = field(default_factory=dict)
    emptied_values: dict[str, int] = field(default_factory=dict)
    readings: tuple[Reading, ...] = ()


@dataclass(frozen=True)
class ImportReport:
    """What an import did: one reading and one result per table read."""

    readings: tuple[Reading, ...]
    results: tuple[ImportResult, ...]

    @property
    def rejected_rows(self) -> dict[str, int]:
        return _sum(reading.rejected for reading in self.readings)

    @property
    def emptied_values(self) -> dict[str, int]:
        return _sum(reading.emptied for reading in self.readings)

    @property
    def days(self) -> tuple[int, ...]:
        return tuple(sorted({day for result in self.results for day in result.days}))


def kind_of_file(path: str | Path, site: SiteDescription, layout: Layout | None = None) -> Kind:
    """What a file holds, or every table of an archive.

    Raises
    ------
    ReadingError : it cannot be opened.
    UsageError : an archive mixes kinds.
    """
    found = {kind_of(source, site, layout) for source in sources(path)}
    if len(found) > 1:
        raise UsageError(f"{path}: the archive mixes {' and '.join(sorted(found))}", "Unpack it and import the files.")
    return found.pop()


def read_files(
    site: SiteDescription,
    telemetry: Paths = (),
    weather: Paths = (),
    gateway_log: Paths = (),
    layout: Layout | None = None,
    progress: Progress | None = None,
    now: float | None = None,
) -> Loaded:
    """Read loose files into canonical frames, touching no store.

    Parameters
    ----------
    now : UTC epoch seconds, to leave out rows that are still to come (:mod:`triage.tocome`); None takes any.

    Raises
    ------
    ReadingError : a file cannot be understood.
    LayoutError : the layout file is wrong.
    """
    readings = _read_all(site, telemetry, weather, gateway_log, layout, progress, now)
    parts = {kind: [r.frame for r in readings if r.kind == kind] for kind in ("telemetry", "weather", "log")}
    return Loaded(
        telemetry=_joined(parts["telemetry"], TELEMETRY_COLUMNS, ["ts", "unit", "input"]),
        weather=_joined(parts["weather"], ("ts", "plane", *WEATHER_COLUMNS), ["ts", "plane"]),
        events=_joined(parts["log"], ("ts", *EVENT_COLUMNS), ["ts", *EVENT_COLUMNS]),
        rejected_rows=_sum(r.rejected for r in readings),
        emptied_values=_sum(r.emptied for r in readings),
        readings=tuple(readings),
    )


def import_files(
    store: Store,
    telemetry: Paths = (),
    weather: Paths = (),
    log: Paths = (),
    layout: Layout | None = None,
    progress: Progress | None = None,
    now: float | None = None,
) -> ImportReport:
    """Read files and add them to a store in one transaction; ``now`` as in :func:`read_files`.

    Raises
    ------
    ReadingError, LayoutError : a file cannot be understood; the store is as it was.
    StoreError : the store cannot be written; it is as it was.
    """
    readings = _read_all(store.site, telemetry, weather, log, layout, progress, now)
    results = []
    with store.transaction():
        for reading in readings:
            if progress:
                progress(f"storing {reading.source}")
            add = {"telemetry": store.add_telemetry, "weather": store.add_weather, "log": store.add_events}
            results.append(add[reading.kind](reading.frame, reading.source, reading.rejected))
    return ImportReport(tuple(readings), tuple(results))


def _read_all(
    site: SiteDescription,
    telemetry: Paths,
    weather: Paths,
    log: Paths,
    layout: Layout | None,
    progress: Progress | None,
    now: float | None,
) -> list[Reading]:
    readings = []
    for path in telemetry:
        for source in sources(path):
            if progress:
                progress(f"reading {source.name}")
            readings.append(read_telemetry(source, site, layout))
    for paths, read in ((weather, read_weather), (log, read_log)):
        for path in paths:
            for source in sources(path):
                if progress:
                    progress(f"reading {source.name}")
                readings.append(read(source, site, layout))
    return readings if now is None else [without_days_to_come(reading, now) for reading in readings]


def _joined(frames: Sequence[pd.DataFrame], columns: Sequence[str], key: list[str]) -> pd.DataFrame:
    """One frame of several: the first value that is not empty stays, as in the store."""
    if len(frames) == 1:
        return frames[0]
    if not frames:
        return pd.DataFrame({name: _NOTHING.get(name, pd.Series(dtype="float64")) for name in columns})
    whole = pd.concat(frames, ignore_index=True)
    return whole.groupby(key, sort=True, as_index=False).first()[list(columns)]


_NOTHING = {
    "ts": pd.Series(dtype="int64"),
    "input": pd.Series(dtype="int64"),
    "state": pd.Series(dtype="object"),
    **{name: pd.Series(dtype="str") for name in ("unit", "plane", *EVENT_COLUMNS)},
}


def _sum(counts: Iterable[dict[str, int]]) -> dict[str, int]:
    total: Counter[str] = Counter()
    for count in counts:
        total.update(count)
    return dict(total)
