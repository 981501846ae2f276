from __future__ import annotations

import numpy as np
import pytest

import rules.calibration
from rules.calibration import calibrated
from rules.finding import FAULT_SCOPES


@pytest.mark.parametrize("fault", sorted(FAULT_SCOPES))
def test_a_probability_that_grows_with_strength(fault: str) -> None:
    values = np.array([calibrated(fault, s) for s in np.linspace(-0.5, 1.5, 60)])
    assert (np.diff(values) >= -1e-9).all()
    assert ((values >= 0.02) & (values <= 0.99)).all()


def test_a_table_is_used_where_there_is_one(monkeypatch: pytest.MonkeyPatch) -> None:
    table = {"shading": {"strength": [0.0, 1.0], "probability": [0.2, 0.6]}}
    monkeypatch.setattr(rules.calibration, "_table", lambda: table)
    assert calibrated("shading", 0.5) == pytest.approx(0.4)
    assert calibrated("soiling", 0.5) == pytest.approx(0.5)
    table["*"] = {"strength": [0.0, 1.0], "probability": [0.0, 0.5]}
    assert calibrated("soiling", 0.5) == pytest.approx(0.25)
