from __future__ import annotations

import numpy as np
import pytest

from rules.siblings import nan_median, sky_index, typical


def test_resists_just_under_half_of_ill_members() -> None:
    for members in (5, 7, 9, 11, 21):
        values = np.ones(members, np.float32)
        values[: (members - 1) // 2] = 0.0
        assert typical(values)[0] == 1.0


def test_one_wild_high_value_is_ignored() -> None:
    assert typical(np.array([1, 1, 1, 1, 9], np.float32))[0] == 1.0


def test_of_two_the_higher_speaks_and_silence_is_not_counted() -> None:
    value, count = typical(np.array([[0.2, 1.0, np.nan], [np.nan, np.nan, np.nan]], np.float32))
    assert value[0] == 1.0
    assert np.isnan(value[1])
    assert count.tolist() == [2, 0]


@pytest.mark.parametrize("width", [1, 2, 3, 8, 33])
def test_lower_median_agrees_with_numpy_on_odd_counts(width: int) -> None:
    rng = np.random.default_rng(width)
    values = rng.random((50, width)).astype(np.float32)
    values[rng.random(values.shape) < 0.2] = np.nan
    ours = nan_median(values, 1)
    for row, got in zip(values, ours, strict=True):
        good = np.sort(row[np.isfinite(row)])
        if good.size:
            assert got == good[(good.size - 1) // 2]
        else:
            assert np.isnan(got)


def test_one_plane_down_does_not_darken_the_sky() -> None:
    clear = np.array([0.8, 0.8, 0.8], np.float32)
    made = np.array([0.0, 0.64, 0.64], np.float32)
    assert sky_index(made, clear, np.array([4, 4, 4])) == pytest.approx(0.8)
    assert np.isnan(sky_index(np.full(3, np.nan, np.float32), clear, np.zeros(3, int)))
