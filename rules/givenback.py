"""The case as it would be without losses that follow power by a known law: what remains has another cause.

A contact's and a shunt's loss follow from the power alone (:mod:`rules.resistance`,
:mod:`rules.shunt`), so power made tells power owed. Without that a bad contact looks like
shade at noon and a shunt like shade at low sun.
"""

from __future__ import annotations

import numpy as np

from rules.case import Case
from rules.daytable import BIN_HOURS
from rules.ranks import Floats
from rules.resistance import resistive
from rules.shunt import shunted

#: Fields of one input and half hour.
_OWN = ("power", "typical", "free_power", "free_typical", "clear")


def given_back(case: Case, told: Case) -> Case:
    """A case in which inputs have back what they lose by a known law.

    Parameters
    ----------
    case : the case to mend.
    told : the case in which the laws are looked for, of the same days.
    """
    contacts, shunts = resistive(told), shunted(told)
    if not contacts and not shunts:
        return case
    fields = dict(case.table.fields)
    for name in _OWN:
        fields[name] = case.table[name].copy()
    for n in sorted({*contacts, *shunts}):
        days = (shunts[n] if n in shunts else contacts[n]).days
        made = _made(case, n)[days]
        with np.errstate(divide="ignore", invalid="ignore"):
            if n in shunts:
                drain = shunts[n].drain
                owed = np.where(made >= drain, made + drain, np.sqrt(4.0 * drain * made))
            else:
                per = contacts[n].per
                # made = owed - per owed^2; never more than the most that passes the resistance.
                owed = (1.0 - np.sqrt(np.maximum(1.0 - 4.0 * per * made, 0.0))) / (2.0 * per)
            more = np.where(made > 0, owed / made, 1.0)
        for name in ("power", "free_power"):
            fields[name][days, n] *= more
        if n in shunts:
            # Where the shunt pulls the voltage down, a watt more or less means twice the light or half of it.
            dim = days[:, None] & (case.witness[:, n] < 2.0 * shunts[n].drain * BIN_HOURS)
            for name in _OWN:
                fields[name][:, n][dim] = 0.0
    return case.like(fields)


def _made(case: Case, n: int) -> Floats:
    """Mean power of an input over the slots it reported, of rated power, [D, B]."""
    reported, whole = case.table["clear"][:, n], case.table["plane_clear_all"][:, case.plane_of[n]]
    with np.errstate(divide="ignore", invalid="ignore"):
        part = np.where(whole > 0, np.clip(reported / whole, 0.0, 1.0), 1.0)
        return np.where(part > 0, case.table["power"][:, n] / (BIN_HOURS * part), 0.0)
