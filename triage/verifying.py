"""From a site's file to :mod:`triage.verify`: the daily shares of a finding's place, and a whole visit."""

from __future__ import annotations

from datetime import date
from typing import Final

import numpy as np

from collectors.errors import UsageError
from collectors.store import Store
from rules.finding import Finding
from triage.ledger import Ledger
from triage.verify import DayShares, Measure, Verification, judge_visit, measure_of, place_columns
from triage.visits import Visit
from triage.workspace import Workspace

_EPOCH: Final = date(1970, 1, 1).toordinal()


def verify_finding(store: Store, number: int, visit_day: str) -> Verification:
    """Compare before and after ``visit_day`` (ISO) for one finding.

    Raises
    ------
    UsageError : no such finding, or no such date.
    """
    try:
        day = date.fromisoformat(visit_day).toordinal() - _EPOCH
    except ValueError as exc:
        raise UsageError(f"'{visit_day}' is not a date", "Give it as YYYY-MM-DD.") from exc
    finding = Ledger(store).get(number).finding
    return judge_visit(finding, day_shares(store, finding), day, visit_day)


def verify_visit(workspace: Workspace, visit: Visit) -> list[tuple[str, int, Verification]]:
    """(site, finding number, result) for everything a visit took on."""
    found = []
    for site, numbers in visit.findings.items():
        with workspace.open(site) as store:
            found += [(site, n, verify_finding(store, n, visit.done_on or visit.planned_for)) for n in numbers]
    return found


def day_shares(store: Store, finding: Finding) -> DayShares:
    """Daily share of the finding's place (see :mod:`triage.verify`), from the table ``input_day``."""
    columns = place_columns(finding, store.site.inputs)
    places = {store.site.inputs[c].key for c in columns}
    measure = measure_of(finding)
    if measure == "siblings":
        shares = _shares(store, places, "energy_wh", "siblings_wh", measure)
        if np.isfinite(shares.share).any():
            return shares
        measure = "working hours"  # no siblings to hold it against
    part = "seen_h" if measure == "reporting" else _WORKED_H
    return _shares(store, places, part, "lit_h", measure)


#: Lit hours in which nothing was the matter.
_WORKED_H: Final = "max(0, lit_h - coalesce(dead_h, 0) - coalesce(idle_h, 0) - coalesce(standby_h, 0) - coalesce(missing_h, 0))"


def _shares(store: Store, places: set[tuple[str, int]], part: str, whole: str, measure: Measure) -> DayShares:
    db = store.db.conn
    if db.execute("SELECT 1 FROM sqlite_master WHERE name = 'input_day'").fetchone() is None:
        return DayShares(np.zeros(0, np.int64), np.zeros(0), np.zeros(0), measure)
    rows = db.execute(f"SELECT day, unit, input, {part}, {whole} FROM input_day ORDER BY day").fetchall()
    sums: dict[int, list[float]] = {}
    for day, unit, number, some, all_ in rows:
        pair = sums.setdefault(int(day), [0.0, 0.0])
        if (unit, number) in places and all_ is not None:
            pair[0] += some or 0.0
            pair[1] += all_
    days = np.array(list(sums), np.int64)
    parts, wholes = np.array(list(sums.values()), float).reshape(-1, 2).T
    share = np.divide(parts, wholes, out=np.full(len(days), np.nan), where=wholes > 0)
    return DayShares(days, share, wholes, measure)
