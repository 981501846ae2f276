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
from rules.days import alike_days, window_sum
from rules.ranks import Mask
from rules.shademap import asleep_behind, only_in_shadow

_RATIO: Final = ("shading", "soiling", "weak-input", "substring-loss", "hot-derating", "curtailment", "clipping")
#: What is judged after the zero faults: a collapsed substring and an order to all come before them.
_AFTER_ZERO: Final = tuple(f for f in _RATIO if f not in ("substring-loss", "curtailment"))
_ZERO: Final = ("dead-input", "idle-input", "unit-standby", "restart-cycling")

#: What a unit shows whose module falls asleep in a deep shadow.
_ASLEEP: Final = (*_ZERO, "patchy-comms")

#: Order of judgement, and what each cause explains on the same inputs and days.
EXPLAINS: Final[dict[str, tuple[str, ...]]] = {
    "snow": (*_ZERO, *_RATIO, "unit-silent", "patchy-comms", "gateway-silent", "site-outage", "swapped-record", "frozen-readings"),
    "gateway-silent": ("unit-silent", "patchy-comms", "curtailment", "soiling", "frozen-readings"),
    "site-outage": (*_ZERO, *_RATIO, "unit-silent", "patchy-comms", "grid-out-of-range"),
    "clock-shift": (*(f for f in _RATIO if f != "shading"), "swapped-record", "patchy-comms"),
    "grid-out-of-range": ("restart-cycling", "curtailment", "soiling", "hot-derating"),
    "unit-silent": (*_ZERO, "patchy-comms", "weak-input", "soiling"),
    "curtailment": ("clipping", "soiling", "frozen-readings"),
    "frozen-readings": (*(f for f in _RATIO if f != "curtailment"), *_ZERO, "swapped-record"),
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
#: Told by siblings alone, whose clock is their own: a wrong clock explains them where it is not all members'.
_BESIDE: Final = ("weak-input", "substring-loss", "hot-derating")
#: So many days of shade, free of another cause, stand for the other days too: what throws a shadow does not go away.
_STANDS = 4
#: Causes that pass, hide the shade of those days and leave it as it was.
_PASSING: Final = ("snow", "site-outage", "curtailment", "unit-standby")
#: So many days of an order under a right clock are no accident of a wrong one.
_CLOCK_RIGHT = 2
#: Minutes off beyond which nothing is known of what the sky let a unit make.
_CLOCK_FAR = 180
#: Days each way of a limit's day on which it may have held unseen.
_BESIDE_LIMIT = 2
#: Silence and standstill of everybody.
_WHOLE: Final = ("site-outage", "gateway-silent")
#: Days of a lost substring that are part of a contact's end.
_FLICKER: Final = 2
#: Shares of days that members must have in common to be one case.
_ALIKE = 0.7
#: Faults that members of a plane, unit or site can have as one common cause.
_SHARED: Final = ("snow", "soiling", "frozen-readings")
#: Share of a group's members that make it one case; snow leaves one input after another, and some before anybody looks.
_NEARLY_ALL, _MOST = 0.9, 0.6


@dataclass
class Diagnosis:
    """Accepted causes, strongest explanation first, and what each explained away."""

    accepted: list[Candidate]


def diagnose(case: Case, candidates: Iterable[Candidate]) -> Diagnosis:
    """Weigh suspicions against each other."""
    order = {fault: k for k, fault in enumerate(EXPLAINS)}
    candidates = _without_own_limit(_without_sleep(case, _without_flicker(list(candidates))))
    candidates = _without_known_laws(candidates)
    waiting = sorted(candidates, key=lambda c: (order[c.fault], -len(c.inputs)))
    alike = np.zeros((case.day_count, len(case.inputs)), bool)  # days of what looks like shade for itself
    #: fault -> the cause that explains it -> days and inputs.
    claimed: dict[str, dict[str, Mask]] = {fault: {} for fault in EXPLAINS}

    def claim(fault: str, by: str, days: Mask, inputs: NDArray[np.int64]) -> None:
        mask = claimed[fault].setdefault(by, np.zeros((case.day_count, len(case.inputs)), bool))
        mask[np.ix_(days, inputs)] = True

    explained_away: list[Candidate] = []
    accepted: list[Candidate] = []
    for candidate in waiting:
        inputs = np.array(candidate.inputs)
        masks = [
            m[:, inputs]
            for by, m in claimed[candidate.fault].items()
            if by not in candidate.despite and not (by == "clock-shift" and _beyond_clock(candidate, m))
        ]
        explained = np.any(masks, axis=0).all(axis=1) if masks else np.zeros(case.day_count, bool)
        if candidate.fault == "hot-derating" and "swapped-record" in claimed["hot-derating"]:
            # One input that follows another plane pulls its whole unit down at that plane's hours.
            explained |= claimed["hot-derating"]["swapped-record"][:, inputs].any(axis=1)
        if candidate.fault in _WHOLE and "snow" in claimed[candidate.fault]:
            # Snow that took most of the inputs took the others too: who slid free first shows it only by the first hour.
            there = inputs[_heard(case, candidate.days, inputs)]
            lit = there[case.table["lit_h"][candidate.days][:, there].max(axis=0) > 0.0]
            there = lit if lit.size else there  # whom no light reached tell nothing
            snowed: Mask = claimed[candidate.fault]["snow"][:, there].sum(axis=1) >= max(1.0, _MOST * there.size)
            explained |= snowed
        left = candidate.days & ~explained
        beside = candidate.days & alike[:, inputs].all(axis=1)
        stands = candidate.fault == "shading" and left.sum() >= _STANDS and not beside.any()
        if left.sum() < max(1, _KEEP * candidate.days.sum()) and not stands:
            explained_away.append(candidate)
            continue
        if not left.all() and not stands:
            candidate = replace(candidate, days=left, loss_wh=candidate.loss_wh * left)
        rival = _rival(accepted, candidate)
        if rival is not None:
            continue
        accepted.append(candidate)
        spread = _lasting_days(candidate)
        if "shading" in EXPLAINS[candidate.fault] and candidate.fault not in _PASSING:
            alike[np.ix_(spread, inputs)] = True
        if candidate.fault == "soiling" and candidate.scope == "plane":
            continue  # what all members share explains nothing that one shows against the others
        for fault in (*EXPLAINS[candidate.fault], *(_ZERO if candidate.evidence.get("level") == 0.0 else ())):
            # Another plane's share is a steady one off on all days, however few tell whose it is.
            always = (candidate.fault, fault) == ("swapped-record", "weak-input")
            whose = _across_clocks(case, inputs) if candidate.fault == "clock-shift" and fault in _BESIDE else inputs
            off = abs(candidate.evidence.get("shift_min", np.inf))
            if (candidate.fault, fault) == ("clock-shift", "clipping") and off < _CLOCK_FAR:
                continue  # a clock moves rows and makes no ceiling, but where the sky is another hour's
            # A limit that was not told on every day holds readings still on the days beside, too.
            near = (candidate.fault, fault) == ("curtailment", "frozen-readings")
            where = np.ones_like(spread) if always else window_sum(spread.astype(int), _BESIDE_LIMIT) > 0 if near else spread
            claim(fault, candidate.fault, where, whose)
    return Diagnosis(on_branches(case, _join(case, with_explained(accepted, explained_away, EXPLAINS))))


def _heard(case: Case, days: Mask, inputs: NDArray[np.int64]) -> Mask:
    """Which of some inputs were heard of up to the last of some days, [M]: the others may not have been installed."""
    last = int(np.flatnonzero(days)[-1])
    return np.asarray(case.table["seen_h"][: last + 1, inputs].max(axis=0) > 0.0)


def _beyond_clock(candidate: Candidate, wrong: Mask) -> bool:
    """Whether a symptom is no wrong clock's, [D, N]: others on it lose no rows, or it was there while the clock was right."""
    if candidate.fault == "patchy-comms":
        days = wrong[candidate.days].any(axis=0)
        return bool(len(candidate.inputs) < 0.5 * days.sum())
    right = candidate.days & ~wrong[:, list(candidate.inputs)].any(axis=1)
    return candidate.fault == "curtailment" and bool(right.sum() >= _CLOCK_RIGHT)


def _without_flicker(candidates: list[Candidate]) -> list[Candidate]:
    """Leave out lost substrings of a day or two beside days on which the input was dead or idle: a contact comes and goes."""
    gone = [c for c in candidates if c.fault in ("dead-input", "idle-input")]

    def flickers(c: Candidate) -> bool:
        where = np.flatnonzero(c.days)
        return c.fault == "substring-loss" and len(where) <= _FLICKER and any(
            o.inputs == c.inputs and o.days[max(where[0] - 1, 0) : where[-1] + 2].any() for o in gone
        )

    return [c for c in candidates if not flickers(c)]


def _without_own_limit(candidates: list[Candidate]) -> list[Candidate]:
    """Leave out orders to single units that are too hot on most of those days: they hold themselves down."""
    hot = [c for c in candidates if c.fault == "hot-derating"]

    def own(c: Candidate) -> bool:
        return c.fault == "curtailment" and c.scope == "unit" and any(
            h.inputs == c.inputs and (h.days & c.days).sum() >= 0.5 * c.days.sum() for h in hot
        )

    return [c for c in candidates if not own(c)]


def _without_sleep(case: Case, candidates: list[Candidate]) -> list[Candidate]:
    """Leave out standstills of inputs that sleep in a shadow, and the rows they do not send then: it is the shade."""
    shades = {c.inputs[0]: c for c in candidates if c.fault == "shading"}

    def sleeps(c: Candidate) -> bool:
        if c.fault not in _ASLEEP or not all(n in shades for n in c.inputs):
            return False
        if c.fault == "dead-input" and np.isfinite(case.table["volts"][c.days][:, list(c.inputs)]).any():
            return False  # a module without voltage is no shaded one
        zero = c.fault in _ZERO
        return all(
            asleep_behind(case, n, c.days) or (zero and only_in_shadow(case, n, c.days, shades[n].evidence)) for n in c.inputs
        )

    return [c for c in candidates if not sleeps(c)]


def _without_known_laws(candidates: list[Candidate]) -> list[Candidate]:
    """Leave out dirt of one input whose loss follows its power: dull days and bright ones differ, as if rain had come."""
    lawful = {c.inputs[0]: c.days for c in candidates if c.fault == "weak-input" and "grows_with" in c.evidence}

    def explained(c: Candidate) -> bool:
        law = lawful.get(c.inputs[0]) if c.fault == "soiling" and c.scope == "input" else None
        return law is not None and bool((c.days & law).sum() >= _ALIKE * c.days.sum())

    return [c for c in candidates if not explained(c)]


def _across_clocks(case: Case, inputs: NDArray[np.int64]) -> NDArray[np.int64]:
    """Members of planes of which only some are among the inputs: siblings on two clocks are no measure of each other."""
    among = np.isin(np.arange(len(case.inputs)), inputs)
    mixed = [p for p in range(len(case.names)) if 0 < among[case.plane_of == p].sum() < (case.plane_of == p).sum()]
    return np.flatnonzero(np.isin(case.plane_of, mixed))


def _lasting_days(candidate: Candidate) -> Mask:
    """Days a cause speaks for: its own, and for lasting ones all days between them."""
    days = candidate.days.copy()
    if candidate.lasting and candidate.fault in (
        "substring-loss", "swapped-record", "shading", "weak-input", "restart-cycling"
    ):
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
        if (other.days & candidate.days).sum() >= _ALIKE * candidate.days.sum():
            return other
    return None


def _join(case: Case, accepted: list[Candidate]) -> list[Candidate]:
    """Join members that share a symptom on the same days at the highest level they all share."""
    out = [c for c in accepted if not (c.fault in _SHARED and c.scope == "input")]
    for fault in _SHARED:
        loose = [c for c in accepted if c.fault == fault and c.scope == "input"]
        groups: list[tuple[str, str | None, np.ndarray]] = []
        gateways = list(dict.fromkeys(ref.gateway for ref in case.inputs))
        if fault == "frozen-readings":
            for g in gateways:
                groups.append(("gateway", None, np.array([r.index for r in case.inputs if r.gateway == g])))
            for u in range(len(case.site.units)):
                groups.append(("unit", None, case.inputs_of_unit(u)))
        else:
            for p, name in enumerate(case.names):
                groups.append(("plane", name, np.flatnonzero(case.plane_of == p)))
        for scope, plane, inputs in groups:
            if len(inputs) < 2:
                continue
            need = 1.0 if scope == "unit" else _MOST if fault == "snow" else _NEARLY_ALL
            while joined := _together(case, [c for c in loose if c.inputs[0] in inputs], need, inputs):
                out.append(_merged(case, joined, scope, plane, len(inputs)))
                gone = {id(c) for c in joined}
                loose = [c for c in loose if id(c) not in gone]
        out += loose
    return out


def _together(case: Case, members: list[Candidate], need: float, group: NDArray[np.int64]) -> list[Candidate]:
    """The largest set of members alike in days (of one spell, for snow), if it covers enough of the group."""
    best: list[Candidate] = []
    for lead in members:
        least = _ALIKE if lead.fault != "snow" else 1e-9
        alike = [c for c in members if alike_days(lead.days, c.days) >= least]
        if len(alike) > len(best):
            best = alike
    if not best:
        return best
    size = _heard(case, best[0].days, group).sum() if best[0].fault == "snow" else len(group)
    return best if len({c.inputs[0] for c in best}) >= max(2, need * size) else []


def _merged(case: Case, members: list[Candidate], scope: str, plane: str | None, size: int) -> Candidate:
    lead = max(members, key=lambda c: (c.strength, int(c.days.sum())))
    count = np.sum([c.days for c in members], axis=0)
    inputs = tuple(sorted(n for c in members for n in c.inputs))
    first = case.inputs[inputs[0]]
    who = {
        "plane": f"{f'All {size}' if len(inputs) == size else f'{len(inputs)} of {size}'} inputs of plane {plane}",
        "unit": f"Every input of unit {first.unit}",
        "gateway": f"Every input of gateway {first.gateway}",
    }[scope]
    return replace(
        lead,
        scope=scope,
        plane=plane,
        inputs=inputs,
        days=count >= (1 if lead.fault == "snow" else 0.5 * len(members)),
        loss_wh=np.sum([c.loss_wh for c in members], axis=0),
        strength=min(0.98, lead.strength + 0.05),
        why=f"{who} {'lay under snow' if lead.fault == 'snow' else 'alike'}. {lead.why}",
        evidence={**lead.evidence, "inputs": [case.inputs[n].label for n in inputs]},
    )
