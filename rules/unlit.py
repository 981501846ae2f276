"""Modules that no light reaches, by the voltage of inputs that make nothing.

An input that stands still shows the voltage of an open module: in good light 1.2 of the working voltage at full sun, in a
thousandth of that light near freezing 1.0 (pvlib, CEC single-diode model). A lower voltage means that no light comes through:
the unit does not wait for its grid or by an order.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rules.case import Case, once
from rules.daytable import IDLE, STANDBY
from rules.finding import Threshold
from rules.ranks import Mask

LIGHTLESS = Threshold(1.0, "of voltage at full sun", "pvlib single-diode model: open at 0 Celsius in a thousandth of full sun")
MOSTLY = Threshold(0.6, "of lit hours", "own reasoning: in the gloom of its ends any day's modules show less")
PLUGGED = Threshold(0.3, "of voltage at full sun", "own reasoning: less is no module, or a broken one")


@once
def unlit(case: Case) -> Mask:
    """Days on which each input stood still, at a voltage too low for any light on its module, [D, N]; False where none is told."""
    volts, lit = np.nan_to_num(case.table["zero_volts"]), case.table["lit_h"]
    still = case.table["symptom_slots"][:, :, [STANDBY, IDLE]].sum(axis=2)
    return np.asarray((volts > PLUGGED.value) & (volts < LIGHTLESS.value) & (still > MOSTLY.value * np.maximum(lit, 0.5)))


def most_unlit(case: Case, inputs: NDArray[np.int64], day: int) -> bool:
    """Whether no light reached more than half of some inputs on a day."""
    return bool(unlit(case)[day, inputs].mean() > 0.5)
