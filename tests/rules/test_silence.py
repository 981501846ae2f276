"""The longest run of random losses, against simulation."""

from __future__ import annotations

import numpy as np
import pytest

import rules.silence
from rules.silence import kinds
from tests.rules.conftest import MoveThreshold


def _longest(lost: np.ndarray) -> int:
    edges = np.flatnonzero(np.diff(np.r_[0, lost.astype(int), 0]))
    return int((edges[1::2] - edges[::2]).max(initial=0))


@pytest.mark.parametrize(("rows", "p"), [(144, 0.2), (144, 0.4), (144, 0.6), (60, 0.3), (288, 0.5)])
def test_schilling_longest_run(rows: int, p: float) -> None:
    """M. F. Schilling, The longest run of heads, College Math. J. 21 (1990): about log_(1/p)(n q), give or take one."""
    rng = np.random.default_rng(0)
    seen = [_longest(rng.random(rows) < p) for _ in range(2000)]
    by_formula = np.log(rows * (1 - p)) / np.log(1 / p)
    assert np.mean(seen) == pytest.approx(by_formula, abs=1.0)
    # The module calls a gap whole only beyond 2.2 times that and two rows more.
    assert np.mean(np.array(seen) > 2.2 * by_formula + 2) < 0.005


def _day(missing: np.ndarray, step_s: float = 300.0) -> tuple[np.ndarray, ...]:
    """kinds() of days given as bool[D, rows]."""
    hours = step_s / 3600
    longest = np.array([_longest(d) for d in missing]) * hours
    runs = np.array([(np.diff(np.r_[0, d.astype(int)]) == 1).sum() for d in missing])
    lit = np.full(len(missing), missing.shape[1] * hours)
    return kinds(missing.sum(axis=1) * hours, longest, runs.astype(float), lit, np.full(len(missing), step_s))


def test_one_gap_is_silence_and_many_are_a_bad_link() -> None:
    whole, holes = np.zeros((2, 144), bool), np.random.default_rng(1).random((3, 144)) < 0.3
    whole[:, 40:80] = True
    silent, patchy, judged = _day(np.vstack([whole, np.zeros((5, 144), bool), holes]))
    assert silent.tolist() == [True, True] + [False] * 8
    assert patchy.tolist() == [False] * 7 + [True, True, True]
    assert judged.all()


def test_random_losses_are_hardly_ever_silence() -> None:
    holes = np.random.default_rng(2).random((500, 144)) < 0.45
    assert _day(holes)[0].mean() < 0.01


def test_a_day_without_light_is_not_judged() -> None:
    zero = np.zeros(2)
    silent, patchy, judged = kinds(zero, zero, zero, np.array([0.5, 3.0]), np.full(2, 300.0))
    assert judged.tolist() == [False, True]
    assert not silent.any()
    assert not patchy.any()


def test_one_piece_counts(threshold: MoveThreshold) -> None:
    day = np.zeros((1, 144), bool)
    day[0, 40:80] = True
    day[0, [10, 20, 100]] = True
    assert _day(day)[0].all()
    threshold(rules.silence, "ONE_PIECE", 1.0)
    assert not _day(day)[0].any()


def _bursts(days: int, gap: tuple[int, int] = (40, 90)) -> np.ndarray:
    """Days with one long gap each, the link back before and after."""
    out = np.zeros((days, 144), bool)
    out[:, gap[0] : gap[1]] = True
    return out


@pytest.mark.parametrize(("days", "patchy"), [(2, False), (3, True), (6, True)])
def test_a_link_that_comes_back_every_day_is_bad_not_silent(days: int, patchy: bool) -> None:
    sound = np.zeros((2, 144), bool)
    silent, bad, _ = _day(np.vstack([sound, _bursts(days), sound]))
    assert bad[2:-2].tolist() == [patchy] * days
    assert silent[2:-2].tolist() == [not patchy] * days


def test_one_silence_over_days_stays_one() -> None:
    """From one noon to another: two broken days, whole ones between."""
    spell = np.zeros((6, 144), bool)
    spell[1, 70:], spell[2:4], spell[4, :60] = True, True, True
    silent, bad, _ = _day(spell)
    assert silent.tolist() == [False, True, True, True, True, False]
    assert not bad.any()


@pytest.mark.parametrize(("name", "value"), [("BACK_AGAIN", 9), ("BROKEN_SHARE", 0.9), ("BROKEN_HOURS", 9.0), ("WITHIN", 0)])
def test_what_makes_a_link_bad(threshold: MoveThreshold, name: str, value: float) -> None:
    """Short bursts with better days between."""
    days = np.zeros((9, 144), bool)
    days[::4] = _bursts(3, (40, 60))
    assert _day(days)[1].sum() == 3
    threshold(rules.silence, name, value)
    assert not _day(days)[1].any()
