"""Members that share a symptom, joined at the highest level they all share."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rules.candidate import Candidate
from rules.case import Case
from rules.days import alike_days
from rules.ranks import Mask

#: Faults that members of a plane, unit or site can have as one common cause.
_SHARED: Final = ("snow", "soiling", "frozen-readings")
#: Shares of days that members must have in common to be one case.
_ALIKE: Final = 0.7
#: Share of a group's members that make it one case; snow leaves one input after another, some before the first row.
_NEARLY_ALL: Final = 0.9
MOST: Final = 0.6


def join_members(case: Case, accepted: list[Candidate]) -> list[Candidate]:
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
            need = 1.0 if scope == "unit" else MOST if fault == "snow" else _NEARLY_ALL
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
    size = heard(case, best[0].days, group).sum() if best[0].fault == "snow" else len(group)
    return best if len({c.inputs[0] for c in best}) >= max(2, need * size) else []


def _merged(case: Case, members: list[Candidate], scope: str, plane: str | None, size: int) -> Candidate:
    lead = max(members, key=lambda c: (c.strength, int(c.days.sum())))
    count = np.sum([c.days for c in members], axis=0)
    inputs = tuple(sorted(n for c in members for n in c.inputs))
    first = case.inputs[inputs[0]]
    every = "Both" if size == 2 else f"All {size}"
    who = {
        "plane": f"{every if len(inputs) == size else f'{len(inputs)} of {size}'} inputs of plane {plane}",
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
    ).worded(
        before=f"{who} {'lay under snow' if lead.fault == 'snow' else 'alike'}. ",
        # Where all members repeat themselves none of its siblings changes.
        without=" while its siblings changed" if len(inputs) == len(case.inputs) else "",
        inputs=[case.inputs[n].label for n in inputs],
    )


def heard(case: Case, days: Mask, inputs: NDArray[np.int64]) -> Mask:
    """Which of some inputs were heard of up to the last of some days, [M]: the others may not have been installed."""
    last = int(np.flatnonzero(days)[-1])
    return np.asarray(case.table["seen_h"][: last + 1, inputs].max(axis=0) > 0.0)
