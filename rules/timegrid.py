"""The grid of a day's stamps: its step, its phase, its slots, and which of them have light."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from pvlib import solarposition

from collectors.site import SiteDescription

#: Logging steps that divide a day, s. A measured step is taken for the nearest.
STEPS: Final = np.array([60, 120, 180, 240, 300, 360, 600, 720, 900, 1200, 1800, 3600])
#: Step of a record that hardly has rows, s: the commonest one.
_USUAL_STEP: Final = 300
#: Spacings between rows that must speak for a day's step.
_LEAST_VOTES: Final = 6
#: Inputs looked at to learn the step.
_STEP_WITNESSES: Final = 8
#: Mean length of the stamps' unit vectors on the step's circle above which they have a common phase, 0 to 1.
_STEADY_PHASE: Final = 0.5
#: Nothing of the record is called day while the sun is lower.
_TWILIGHT_DEG: Final = -3.0
#: Time to spare at both ends of the day, h: the formulas below are good to minutes.
_SPARE_H: Final = 0.5


@dataclass(frozen=True)
class DayGrid:
    """Slots of local solar days that are logged alike.

    Attributes
    ----------
    days : int64[D], solar day numbers, ascending.
    step_s, phase_s : stamps are ``phase_s`` after multiples of ``step_s``, s.
    offset_s : seconds to add to UTC to get local mean solar time.
    """

    days: NDArray[np.int64]
    step_s: int
    phase_s: int
    offset_s: int

    @property
    def slots(self) -> int:
        """Slots of a day, K."""
        return 86400 // self.step_s

    @property
    def first_slot(self) -> NDArray[np.int64]:
        """Number of each day's first slot since the epoch, [D]."""
        return -((-(self.days * 86400 - self.offset_s - self.phase_s)) // self.step_s)  # rounded up

    def stamps(self) -> NDArray[np.int64]:
        """UTC seconds of each slot, [D, K]."""
        return (self.first_slot[:, None] + np.arange(self.slots)[None, :]) * self.step_s + self.phase_s

    def place(self, ts: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_]]:
        """Position among the days and slot of each stamp, and whether it belongs to one of the days, [R] each."""
        number = np.floor_divide(ts - self.phase_s + self.step_s // 2, self.step_s)
        day = np.floor_divide(number * self.step_s + self.phase_s + self.offset_s, 86400)
        at = np.minimum(np.searchsorted(self.days, day), len(self.days) - 1)
        slot = number - self.first_slot[at]
        return at, slot, (self.days[at] == day) & (slot >= 0) & (slot < self.slots)


def step_and_phase(
    ts: NDArray[np.int64], day: NDArray[np.int64], input_of: NDArray[np.int64], wanted: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Step and phase, s, of each wanted day: the commonest spacing of an input's rows.

    Parameters
    ----------
    ts, day, input_of : [R], UTC second, solar day and position of the input of each row, -1 unknown.
    wanted : [D], solar days, ascending.
    """
    counts = np.bincount(input_of[input_of >= 0]) if (input_of >= 0).any() else np.zeros(1, int)
    full = np.flatnonzero(counts >= 0.5 * counts.max())
    chosen = full[np.linspace(0, len(full) - 1, min(_STEP_WITNESSES, len(full))).astype(int)]
    pick = np.isin(input_of, chosen)
    ts, input_of, day = ts[pick], input_of[pick], day[pick]
    order = np.lexsort((ts, input_of))
    ts, input_of, day = ts[order], input_of[order], day[order]
    step = _steps(ts, day, input_of, wanted)
    return step, _phases(ts, day, step, wanted)


def _position(day: NDArray[np.int64], wanted: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Where each row's day stands among the wanted ones, and whether it is one of them, [R] each."""
    at = np.minimum(np.searchsorted(wanted, day), len(wanted) - 1)
    return at, wanted[at] == day


def _steps(
    ts: NDArray[np.int64], day: NDArray[np.int64], input_of: NDArray[np.int64], wanted: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Step of each wanted day, s, [D], by votes of the spacings of rows sorted by input and time."""
    gap = np.diff(ts)
    follows = (np.diff(input_of) == 0) & (gap > 0) & (np.diff(day) == 0)
    at, known = _position(day[1:][follows], wanted)
    nearest = np.abs(gap[follows][:, None] - STEPS[None, :]).argmin(axis=1)
    votes = np.bincount(at[known] * len(STEPS) + nearest[known], minlength=len(wanted) * len(STEPS))
    votes = votes.reshape(len(wanted), len(STEPS))
    # A day with hardly a row cannot say its own step: it gets the record's commonest.
    total = votes.sum(axis=0)
    commonest = total.argmax() if total.any() else int(np.flatnonzero(STEPS == _USUAL_STEP)[0])
    return STEPS[np.where(votes.sum(axis=1) < _LEAST_VOTES, commonest, votes.argmax(axis=1))]


def _phases(ts: NDArray[np.int64], day: NDArray[np.int64], step: NDArray[np.int64], wanted: NDArray[np.int64]) -> NDArray[np.int64]:
    """Phase of each wanted day, s, [D]: the quarter of its step at which stamps crowd, 0 when they do not."""
    at, known = _position(day, wanted)
    at, ts = at[known], ts[known]
    angle = 2 * np.pi * (ts % step[at]) / step[at]
    sine = np.bincount(at, np.sin(angle), len(wanted))
    cosine = np.bincount(at, np.cos(angle), len(wanted))
    rows = np.maximum(np.bincount(at, minlength=len(wanted)), 1)
    quarter = np.round(np.arctan2(sine, cosine) / (np.pi / 2)).astype(np.int64) % 4
    steady = np.hypot(sine, cosine) / rows > _STEADY_PHASE
    return np.where(steady, quarter * step // 4, 0)


def lit_slots(site: SiteDescription, days: NDArray[np.int64], slots: int) -> tuple[int, int]:
    """First slot with light on any of the days, and the one after the last; both with half an hour to spare.

    Declination and equation of time after J. W. Spencer, Search 2(5), 172, 1971
    (``pvlib.solarposition``): within minutes of the SPA, the spare time is more.
    """
    of_year = days.astype("datetime64[D]").astype("datetime64[Y]")
    number = (days - of_year.astype("datetime64[D]").astype(np.int64)) + 1
    declination = np.asarray(solarposition.declination_spencer71(number))
    noon = 12.0 - np.asarray(solarposition.equation_of_time_spencer71(number)) / 60.0
    latitude = np.clip(np.radians(site.site.latitude), -1.55, 1.55)
    high = np.sin(np.radians(_TWILIGHT_DEG)) - np.sin(latitude) * np.sin(declination)
    half = np.degrees(np.arccos(np.clip(high / (np.cos(latitude) * np.cos(declination)), -1.0, 1.0))) / 15.0
    low, top = float((noon - half).min()) - _SPARE_H, float((noon + half).max()) + _SPARE_H
    return int(low / 24.0 * slots), int(np.ceil(top / 24.0 * slots))
