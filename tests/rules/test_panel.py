from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from rules.panel import Panel, build_panels, day_offset
from rules.timegrid import STEPS
from tests.rules.make import Roof, make_roof


def _panels(roof: Roof, frame: pd.DataFrame | None = None, **options: object) -> list[Panel]:
    return list(build_panels(roof.site, roof.frame() if frame is None else frame, **options))  # type: ignore[arg-type]


@pytest.mark.parametrize("step", [60, 300, 600, 900, 1800, 3600])
def test_finds_the_step(step: int) -> None:
    (panel,) = _panels(make_roof(days=3, step=step))
    assert panel.step_s == step
    assert panel.power_w.shape == (3, 86400 // step, 10)


def test_every_row_has_its_slot() -> None:
    roof = make_roof(days=3)
    (panel,) = _panels(roof)
    assert panel.present.sum() == len(roof.frame())
    assert np.nansum(panel.power_w) == pytest.approx(roof.frame()["dc_power_w"].sum(), rel=1e-5)


def test_days_are_local_solar_days() -> None:
    roof = make_roof(days=2, longitude=150.0)
    (panel,) = _panels(roof)
    assert day_offset(roof.site) == 36000
    noon = panel.ts[0][np.nanargmax(panel.power_w[0, :, 0])] + day_offset(roof.site)
    assert 11 < noon % 86400 / 3600 < 13


def test_stamps_off_the_grid_move_it() -> None:
    roof = make_roof(days=2, step=900)
    frame = roof.frame()
    frame["ts"] += 450
    (panel,) = _panels(roof, frame)
    assert panel.step_s == 900
    assert (panel.ts % 900 == 450).all()
    assert panel.present.sum() == len(frame)


def test_a_changed_step_makes_two_panels() -> None:
    one, other = make_roof(days=2), make_roof(days=2, step=900, first=19865)
    frame = pd.concat([one.frame(), other.frame()], ignore_index=True)
    assert [(p.step_s, len(p.days)) for p in _panels(one, frame)] == [(300, 2), (900, 2)]


def test_only_the_days_asked_for() -> None:
    roof = make_roof(days=4)
    (panel,) = _panels(roof, days=[19864])
    assert panel.days.tolist() == [19864]
    assert _panels(roof, days=[]) == []


def test_no_rows_no_panels() -> None:
    roof = make_roof(days=1)
    assert _panels(roof, roof.frame().iloc[:0]) == []


def test_inputs_not_in_the_site_file_are_left_out() -> None:
    roof = make_roof(days=1)
    frame = roof.frame()
    frame.loc[frame["unit"] == "U2", "unit"] = "other"
    (panel,) = _panels(roof, frame)
    assert not panel.present[:, :, [2, 3]].any()


@pytest.mark.parametrize(
    ("without", "within"),
    [
        ({"dc_power_w"}, 0.01),  # volts times amperes
        ({"dc_power_w", "dc_current_a"}, 0.03),  # the counter's rise
        ({"dc_power_w", "dc_current_a", "energy_total_wh"}, 0.03),  # AC power of the unit
    ],
)
def test_power_is_derived(without: set[str], within: float) -> None:
    roof = make_roof(days=3, kinds="c")
    roof.without |= without
    (panel,) = _panels(roof)
    made = np.nansum(panel.power_w, axis=(0, 1)) / 12
    assert made == pytest.approx(roof.power.sum(axis=0) / 12, rel=within)


def test_steps_divide_a_day() -> None:
    assert (86400 % STEPS == 0).all()
