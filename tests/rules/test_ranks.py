"""Medians and quantiles of short series against numpy's own."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from pvlib.clearsky import lookup_linke_turbidity

from rules.ranks import median_of, nearest_rank, rolling_upper, row_quantile, taken, weighted_quantile
from rules.sun import _cell, linke_turbidity


@pytest.mark.parametrize("size", [1, 2, 3, 4, 7, 60, 61])
def test_median_is_numpys(size: int) -> None:
    values = np.random.default_rng(size).normal(size=size)
    assert median_of(values) == np.median(values)


def test_median_of_nothing_is_unknown() -> None:
    assert np.isnan(median_of(np.zeros(0)))


@pytest.mark.parametrize("q", [0.0, 0.25, 0.5, 0.75, 0.9, 1.0])
def test_row_quantile_is_numpys_to_the_last_digit(q: float) -> None:
    rng = np.random.default_rng(3)
    values = rng.normal(size=(50, 48))
    values[rng.random(values.shape) < 0.6] = np.nan
    values[7] = np.nan
    got = row_quantile(values, q)
    assert np.isnan(got[7])
    for d in np.delete(np.arange(50), 7):
        known = values[d][np.isfinite(values[d])]
        assert got[d] == np.quantile(known, q)


@pytest.mark.parametrize(
    ("shape", "axis"), [((5, 4, 7), 0), ((5, 4, 7), 1), ((5, 4, 7), 2), ((5, 4, 7), -2), ((6,), 0), ((0, 3, 2), 1)]
)
def test_taken_is_numpys_take_along_axis(shape: tuple[int, ...], axis: int) -> None:
    draw = np.random.default_rng(3)
    values = draw.random(shape)
    at = draw.integers(0, shape[axis], np.delete(shape, axis))
    # numpy.take_along_axis as the reference; it keeps the axis.
    theirs = np.take_along_axis(values, np.expand_dims(at, axis), axis).squeeze(axis)
    assert np.array_equal(taken(values, np.asarray(at), axis), theirs)


def test_nearest_rank_counts_and_picks_what_is_known() -> None:
    values = np.array([[3.0, np.nan, 1.0, 2.0], [np.nan] * 4])
    value, count = nearest_rank(values, 0.7, 1)
    assert count.tolist() == [3, 0]
    assert value[0] == 2.0  # rank 0.7 of three: rint(1.4) = 1
    assert np.isnan(value[1])


def test_weighted_quantile_of_equal_weights_is_the_inverted_distribution() -> None:
    draw = np.random.default_rng(7)
    values = draw.random((40, 30))
    values[draw.random(values.shape) < 0.3] = np.nan
    weights = np.isfinite(values).astype(float)
    weights[3] = 0.0
    found = weighted_quantile(values, weights, 0.7)
    assert np.isnan(found[3])
    for row, value in zip(np.delete(values, 3, 0), np.delete(found, 3), strict=True):
        # numpy's method of the same name inverts the empirical distribution.
        assert value == np.quantile(row[np.isfinite(row)], 0.7, method="inverted_cdf")


def test_rolling_upper_looks_at_each_window_alone() -> None:
    rng = np.random.default_rng(5)
    values = rng.normal(size=(30, 6))
    values[rng.random(values.shape) < 0.5] = np.nan
    values[:, 2] = np.nan  # an hour of the night
    got = rolling_upper(values, 4, 4)
    for d in range(30):
        for b in range(6):
            window = values[max(0, d - 4) : d + 5, b]
            known = np.sort(window[np.isfinite(window)])
            want = known[round(0.8 * (len(known) - 1))] if len(known) >= 4 else np.nan
            assert got[d, b] == want or (np.isnan(got[d, b]) and np.isnan(want))


def test_neighbours_share_a_cell_of_the_turbidity_table_and_read_what_pvlib_reads() -> None:
    """pvlib.clearsky.lookup_linke_turbidity is the reference, for its monthly means."""
    months = pd.date_range("2023-01-01", periods=12, freq="MS", tz="UTC")
    assert _cell(47.31, 8.93) == _cell(47.32, 8.94)
    for latitude, longitude in ((47.31, 8.93), (-33.9, 151.2), (0.0, 0.0), (89.99, 179.99), (-89.99, -179.99)):
        want = lookup_linke_turbidity(months, latitude, longitude, interp_turbidity=False)
        near = lookup_linke_turbidity(months, *_cell(latitude, longitude), interp_turbidity=False)
        np.testing.assert_array_equal(near, want)
        middle = linke_turbidity(latitude, longitude, np.array([1_673_827_200]))  # 16 January: the month's middle
        assert middle == pytest.approx(want.iloc[0], abs=0.05)
    assert linke_turbidity(47.3, 8.9, np.zeros(0, np.int64)).size == 0
