"""From a rule's raw strength to a probability.

The table is fitted on simulated training sites (``python -m
tests.scenarios.calibrate``) and kept as package data with its Brier score.
"""

from __future__ import annotations

import json
from functools import cache
from importlib.resources import files

import numpy as np


@cache
def _table() -> dict[str, dict[str, list[float]]]:
    source = files("rules") / "calibration.json"
    return json.loads(source.read_text(encoding="utf-8"))["curves"] if source.is_file() else {}


def calibrated(fault: str, strength: float) -> float:
    """Probability that a finding of this fault and raw strength (0 to 1) is right."""
    curve = _table().get(fault) or _table().get("*")
    value = float(np.interp(strength, curve["strength"], curve["probability"])) if curve else strength
    return float(np.clip(value, 0.02, 0.99))
