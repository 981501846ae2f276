"""From suspicions to one explanation per symptom.

Causes are taken in an order in which a higher one explains the symptoms of the
lower ones on the same inputs and days: a silent gateway explains silent units,
an outage explains standby, a shifted clock explains odd shadows. What is
explained away becomes an alternative, so that losses are counted once. Then
members that share a symptom are joined at the highest level they all share.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rules.alternatives import with_explained
from rules.branches import on_branches
from rules.candidate import Candidate
from rules.case import Case
from rules.days import window_sum
from rules.daytable import BIN_HOURS
from rules.joining import MOST, heard, join_members
from rules.pretenders import ZERO, without_pretenders
from rules.ranks import Mask

_RATIO: Final = ("shading", "soiling", "weak-input", "substring-loss", "hot-derating", "curtailment", "clipping")
#: What is judged after the zero faults: a collapsed substring and an order to all come before them.
_AFTER_ZERO: Final = tuple(f for f in _RATIO if f not in ("substring-loss", "curtailment"))

#: Order of judgement, and what each cause explains on the same inputs and days.
EXPLAINS: Final[dict[str, tuple[str, ...]]] = {
    "snow": (*ZERO, *_RATIO, "unit-silent", "patchy-comms", "gateway-silent", "site-outage", "swapped-record", "frozen-readings"),
    "gateway-silent": ("unit-silent", "patchy-comms", "curtailment", "soiling", "frozen-readings"),
    "site-outage": (*ZERO, *_RATIO, "unit-silent", "patchy-comms", "grid-out-of-range"),
    "clock-shift": (*(f for f in _RATIO if f != "shading"), "swapped-record", "patchy-comms"),
    "grid-out-of-range": ("restart-cycling", "curtailment", "soiling", "hot-derating"),
    "unit-silent": (*ZERO, "patchy-comms", "weak-input", "soiling"),
    "curtailment": ("clipping", "soiling", "frozen-readings"),
    "frozen-readings": (*(f for f in _RATIO if f != "curtailment"), *ZERO, "swapped-record"),
    "restart-cycling": ("unit-standby", "idle-input", "weak-input", "soiling", "shading", "hot-derating", "substring-loss"),
    "substring-loss": ("weak-input", "soiling", "shading", "hot-derating", "unit-standby", "idle-input"),
    # A unit may stand at its ceiling and then stand still: both are told.
    "unit-standby": ("dead-input", "idle-input", *(f for f in _AFTER_ZERO if f != "clipping"), "patchy-comms", "swapped-record"),
    "dead-input": (*_AFTER_ZERO, "idle-input", "swapped-record"),
    "idle-input": (*_AFTER_ZERO, "swapped-record"),
    "swapped-record": ("shading", "weak-input", "soiling", "hot-derating", "clipping"),
    "hot-derating": ("weak-input", "shading", "clipping", "soiling"),
    "shading": ("soiling", "weak-input"),
    "soiling": ("weak-input",),
    "weak-input": (),
    "patchy-comms": (),
    "clipping": (),
}
#: A suspicion keeps its place when at least this share of its days is not explained by another cause.
_KEEP = 0.4
#: Faults told by comparing siblings: a wrong clock explains them only where some of the siblings have another clock.
_BESIDE: Final = ("weak-input", "substring-loss", "hot-derating")
#: Days of shade, free of another cause, that stand for the other days too: what throws a shadow does not go away.
_STANDS = 4
#: Days of a unit's silence beyond what explains the rest, a gateway's or snow's: it did not come back with the others.
_STAYS = 2
#: Causes that hold back a whole plane: they look like dirt on all of it, never like dirt on one of its inputs.
_OF_ALL: Final = ("clock-shift", "grid-out-of-range", "curtailment")
#: Causes that pass: they hide the shade of their days and leave it as it was.
_PASSING: Final = ("snow", "site-outage", "curtailment", "unit-standby")
#: Days of an order under a right clock from which on a wrong clock no longer explains it.
_CLOCK_RIGHT = 2
#: Minutes by which a clock is off, from which on its stamps say nothing of what the sky allowed.
_CLOCK_FAR = 180
#: Faults in the record of one input that look like heat on its whole unit.
_OF_ONE: Final = ("swapped-record", "frozen-readings")
#: Days each way of a limit's day on which it may have held unseen.
_BESIDE_LIMIT = 2
#: Silence and standstill of the whole site.
_WHOLE: Final = ("site-outage", "gateway-silent")
#: Causes that stop all units of a site.
_STOPS: Final = ("site-outage", "curtailment", "grid-out-of-range")
#: W per rated W below which an input makes nothing, and above which one works; hours in which it stands while others
#: work, from which on its stop is its own (own reasoning: a meter's offset, and a reconnection wait).
_NIL, _WORKS, _LONGER = 0.01, 0.05, 1.0
#: Share of the other inputs under snow on a day, and of a suspicion's days like that, that explain one more input by snow.
_ALL_SNOWED, _MOSTLY_SNOWED = 0.9, 0.5
#: Days after snow in which the last of it may still lie along the lower edge.
_MELTS = 3
#: Share of a suspicion's days that an accepted one of its own fault has, too, or on which siblings have one clock.
_ALIKE = 0.7


@dataclass
class Diagnosis:
    """Accepted causes, strongest explanation first, and what each explained away."""

    accepted: list[Candidate]


def diagnose(case: Case, candidates: Iterable[Candidate]) -> Diagnosis:
    """Weigh suspicions against each other."""
    order = {fault: k for k, fault in enumerate(EXPLAINS)}
    waiting = sorted(without_pretenders(case, list(candidates)), key=lambda c: (order[c.fault], -len(c.inputs)))
    claims = _Claims(case)
    explained_away: list[Candidate] = []
    accepted: list[Candidate] = []
    for candidate in waiting:
        left = candidate.days & ~claims.explained(candidate)
        stands = candidate.fault == "shading" and left.sum() >= _STANDS and not claims.like_shade(candidate)
        stays = candidate.fault == "unit-silent" and left.sum() >= _STAYS
        if left.sum() < max(1, _KEEP * candidate.days.sum()) and not (stands or stays):
            explained_away.append(candidate)
            continue
        if not left.all() and not stands:
            candidate = replace(candidate, days=left, loss_wh=candidate.loss_wh * left)
        if _rival(accepted, candidate) is None:
            accepted.append(candidate)
            claims.claim(candidate)
    return Diagnosis(on_branches(case, join_members(case, with_explained(accepted, explained_away, EXPLAINS))))


class _Claims:
    """Days and inputs whose symptoms are explained by causes accepted so far."""

    def __init__(self, case: Case) -> None:
        self._case = case
        #: fault -> the cause that explains it -> days and inputs, [D, N].
        self._by: dict[str, dict[str, Mask]] = {fault: {} for fault in EXPLAINS}
        #: Days on which something else looks like shade for itself, [D, N].
        self._alike = np.zeros((case.day_count, len(case.inputs)), bool)

    def explained(self, candidate: Candidate) -> Mask:
        """Days of a suspicion that accepted causes explain on all of its inputs, [D]."""
        case, inputs = self._case, np.array(candidate.inputs)
        whole = self._by[candidate.fault]
        by = {cause: mask[:, inputs] for cause, mask in whole.items()}
        if candidate.fault in ZERO:
            on = _stands_on(case, inputs)[:, None]
            by = {cause: mask & ~on if cause in _STOPS else mask for cause, mask in by.items()}
        masks = [
            mask
            for cause, mask in by.items()
            if cause not in candidate.despite
            and not (cause in _OF_ALL and _beside_mates(case, candidate, whole[cause]))
            and not (cause == "clock-shift" and _beyond_clock(candidate, whole[cause]))
        ]
        explained = np.any(masks, axis=0).all(axis=1) if masks else np.zeros(case.day_count, bool)
        if candidate.fault == "hot-derating":
            # One input that follows another plane, or stands still, pulls its unit down at the others' best hours.
            for cause in _OF_ONE:
                if cause in by:
                    explained |= by[cause].any(axis=1)
        if "snow" in whole:
            explained |= self._snowed(candidate, inputs, whole["snow"])
        return np.asarray(explained)

    def _snowed(self, candidate: Candidate, inputs: NDArray[np.int64], snow: Mask) -> Mask:
        """Days, [D], on which snow on other inputs, [D, N], explains a suspicion whose own inputs give no data to see snow by."""
        case, none = self._case, np.zeros(self._case.day_count, bool)
        if candidate.fault == "unit-silent" and candidate.evidence.get("produced") is not True:
            # A unit that is not heard, among modules under snow, lies under it too.
            beside = np.isin(case.plane_of, case.plane_of[inputs]) & ~np.isin(np.arange(len(case.inputs)), inputs)
            return np.asarray(snow[:, beside].sum(axis=1) >= max(1.0, MOST * beside.sum()))
        if candidate.fault in ZERO:
            # An input that makes nothing while all others lie under snow lies there too, whatever it lacks afterwards.
            others = np.delete(snow, inputs, axis=1)
            among = candidate.days & (others.sum(axis=1) >= max(1.0, _ALL_SNOWED * others.shape[1]))
            return among if among.sum() >= _MOSTLY_SNOWED * candidate.days.sum() else none
        if candidate.fault == "substring-loss":
            # The rest of the snow lies on the lowest strip of cells, behind one bypass diode, until it melts.
            rest = np.convolve(snow[:, inputs].all(axis=1).astype(float), np.ones(_MELTS + 1))[: case.day_count] > 0.0
            return none if (candidate.days & ~rest).any() else candidate.days
        if candidate.fault in _WHOLE or (candidate.fault == "patchy-comms" and candidate.scope == "gateway"):
            # Snow on most of the inputs lay on the others too: those that it slid off first show it for an hour only.
            there = heard(case, candidate.days, inputs)
            lit = there & (case.table["lit_h"][candidate.days][:, inputs].max(axis=0) > 0.0)
            there = lit if lit.any() else there  # inputs that no light reached tell nothing
            return np.asarray(snow[:, inputs[there]].sum(axis=1) >= max(1.0, MOST * there.sum()))
        return none

    def like_shade(self, candidate: Candidate) -> bool:
        """Whether something accepted looks like shade on some day of a suspicion, on all of its inputs."""
        return bool((candidate.days & self._alike[:, list(candidate.inputs)].all(axis=1)).any())

    def claim(self, candidate: Candidate) -> None:
        """Let an accepted cause explain what it does."""
        inputs, spread = np.array(candidate.inputs), _lasting_days(candidate)
        if "shading" in EXPLAINS[candidate.fault] and candidate.fault not in _PASSING:
            self._alike[np.ix_(spread, inputs)] = True
        if candidate.fault in ("soiling", "shading") and candidate.scope == "plane":
            return  # what all members share does not explain how one differs from the others
        for fault in (*EXPLAINS[candidate.fault], *(ZERO if candidate.evidence.get("all_stood") else ())):
            where, whose = self._reach(candidate, fault, spread, inputs)
            mask = self._by[fault].setdefault(candidate.fault, np.zeros_like(self._alike))
            mask[np.ix_(where, whose)] = True

    def _reach(self, candidate: Candidate, fault: str, spread: Mask, inputs: NDArray[np.int64]) -> tuple[Mask, NDArray[np.int64]]:
        """Days, [D], and inputs on which a cause that speaks for some days explains one fault."""
        pair = (candidate.fault, fault)
        if pair == ("swapped-record", "weak-input"):
            # Another plane's share is a steady deficit on all days, even if few of them tell whose it is.
            return np.ones_like(spread), inputs
        if pair == ("clock-shift", "clipping") and abs(candidate.evidence.get("shift_min", np.inf)) < _CLOCK_FAR:
            return np.zeros_like(spread), inputs  # a clock that is little off moves rows and makes no ceiling
        if candidate.fault == "clock-shift" and fault in _BESIDE:
            return spread, _across_clocks(self._case, inputs)
        if pair == ("curtailment", "frozen-readings"):
            # A limit is not seen on every day that it holds: it may keep readings still on the days beside, too.
            return window_sum(spread.astype(int), _BESIDE_LIMIT) > 0, inputs
        return spread, inputs


def _stands_on(case: Case, inputs: NDArray[np.int64]) -> Mask:
    """Days on which inputs made nothing for a good while in which others worked: a stop of all units does not explain that, [D]."""
    power, told = case.table["power"], case.table["clear"][:, inputs] > 0.0
    others = np.delete(power, inputs, axis=1)
    if not others.shape[1]:
        return np.zeros(case.day_count, bool)
    still = told.any(axis=1) & (power[:, inputs] <= _NIL * BIN_HOURS).all(axis=1)
    hours = (still & (np.median(others, axis=1) >= _WORKS * BIN_HOURS)).sum(axis=1) * BIN_HOURS
    return np.asarray(hours >= _LONGER)


def _beside_mates(case: Case, candidate: Candidate, where: Mask) -> bool:
    """Whether an input's dirt shows against siblings that a cause, on days and inputs [D, N], held as it held the input."""
    if candidate.fault != "soiling" or candidate.scope != "input":
        return False
    n = candidate.inputs[0]
    mates = where[candidate.days][:, case.plane_of == case.plane_of[n]]
    return bool((mates == where[candidate.days][:, [n]]).all(axis=1).mean() >= _ALIKE)


def _beyond_clock(candidate: Candidate, wrong: Mask) -> bool:
    """Whether a wrong clock, on days and inputs [D, N], does not explain a symptom.

    Others with that clock lose no rows, or the symptom was there while the clock was right.
    """
    if candidate.fault == "patchy-comms":
        days = wrong[candidate.days].any(axis=0)
        return bool(len(candidate.inputs) < 0.5 * days.sum())
    right = candidate.days & ~wrong[:, list(candidate.inputs)].any(axis=1)
    return candidate.fault == "curtailment" and bool(right.sum() >= _CLOCK_RIGHT)


def _across_clocks(case: Case, inputs: NDArray[np.int64]) -> NDArray[np.int64]:
    """Members of planes of which only some are among the inputs: siblings on two clocks are no measure of each other."""
    among = np.isin(np.arange(len(case.inputs)), inputs)
    mixed = [p for p in range(len(case.names)) if 0 < among[case.plane_of == p].sum() < (case.plane_of == p).sum()]
    return np.flatnonzero(np.isin(case.plane_of, mixed))


def _lasting_days(candidate: Candidate) -> Mask:
    """Days a cause speaks for: its own, and for lasting ones all days between them."""
    days = candidate.days.copy()
    if candidate.lasting and candidate.fault in ("substring-loss", "swapped-record", "shading", "weak-input", "restart-cycling"):
        where = np.flatnonzero(days)
        days[where[0] : where[-1] + 1] = True
    if candidate.fault == "snow":
        days[:-1] |= days[1:].copy()  # it may have begun to fall the afternoon before
        days[1:] |= days[:-1].copy()  # and the last of it slides on the morning after
    return days


def _rival(accepted: list[Candidate], candidate: Candidate) -> Candidate | None:
    """An accepted candidate of the same fault that covers this one's inputs and days."""
    for other in accepted:
        if other.fault != candidate.fault or not set(candidate.inputs) <= set(other.inputs):
            continue
        if other.fault == "shading" and other.scope != candidate.scope:
            continue  # a chimney before one member stands before the hill behind all
        if (other.days & candidate.days).sum() >= _ALIKE * candidate.days.sum():
            return other
    return None
