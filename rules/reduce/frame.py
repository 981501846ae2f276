"""What each input should make in each slot: by its siblings, by the sky, and whether there was light at all."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from collectors.site import SiteDescription
from rules import siblings
from rules.daytable import plane_names
from rules.finding import Threshold
from rules.irradiance import plane_effective
from rules.module import ambient_estimate, cell_temperature, per_rated
from rules.panel import Panel
from rules.ranks import F32, Mask
from rules.reduce.repeats import Repeats, stuck_rows
from rules.reduce.slots import Units
from rules.sun import Sun, sun_of

LIT_POWER = Threshold(0.04, "W per rated W", "own reasoning: 16 W of a 400 W module, above the start-up power of a unit")
LIT_SKY = Threshold(0.25, "W per rated W", "own reasoning: under a clear sky; a thick overcast still leaves a few per cent")
LOW_SKY = Threshold(0.05, "W per rated W", "own reasoning: under a clear sky; lower, the sun stands in trees, mist and hills")
LEAST_SKY = Threshold(0.01, "W per rated W", "own reasoning: a clear sky on a plane turned from a low sun (pvlib, Hay-Davies)")
NOBODY = Threshold(0.02, "of clear sky", "own reasoning: a site that makes less than any overcast lets through has stopped")
OTHER_PLANES = Threshold(0.6, "of their sky", "own reasoning: a plane whose inputs are all down still gets so much of the light")
ALONE = Threshold(0.85, "of their sky", "own reasoning: model and sky of other planes are good to some 15 %")
CARRY_LIGHT = Threshold(0.15, "W per rated W", "own reasoning: under a clear sky; lower, the sky's share moves with the sun")
CARRY_SKY = Threshold(0.3, "of clear sky", "own reasoning: a darker sky may have become night-black")
_CARRY_S = 3 * 3600.0  # the sky a site saw before it stopped is believed for so long
_AIR_NEAR_S = 7200  # measured air temperature holds for so long


@dataclass(frozen=True)
class Frame:
    """Slot-level references that all features of a panel share; powers in W per rated watt.

    Attributes
    ----------
    rated : float64[N], W; NaN unknown.
    units : which inputs belong to which unit.
    plane_index : int64[N], plane of each input (:func:`rules.daytable.plane_names`).
    elevation : float32[D, K], of the sun, degrees.
    plane_typical, plane_clear : float32[D, K, P], what siblings made and what a clear sky would give.
    members : int64[D, K, P], inputs that spoke for ``plane_typical``.
    sky : float32[D, K], share of the clear-sky expectation that the site as a whole makes; NaN unknown.
    made : float32[D, K, N], power of each input; NaN not reported.
    typical, clear : float32[D, K, N], ``plane_typical`` and ``plane_clear`` of each input's plane.
    siblings : int64[D, K, N], ``members`` of each input's plane.
    reference : float32[D, K, N], best guess of what the input should make now.
    lit : bool[D, K, N], light enough for a healthy input to make power.
    repeats : readings that repeat themselves.
    """

    rated: NDArray[np.float64]
    units: Units
    plane_index: NDArray[np.int64]
    elevation: F32
    plane_typical: F32
    plane_clear: F32
    members: NDArray[np.int64]
    sky: F32
    made: F32
    typical: F32
    clear: F32
    siblings: NDArray[np.int64]
    reference: F32
    lit: Mask
    repeats: Repeats

    @cached_property
    def told(self) -> Mask:
        """Power was reported or derived, [D, K, N]."""
        return np.isfinite(self.made)

    @cached_property
    def made_or_0(self) -> F32:
        """:attr:`made`, 0 where not reported: for sums."""
        return np.nan_to_num(self.made)

    @cached_property
    def typical_or_0(self) -> F32:
        """:attr:`typical`, 0 where no sibling spoke: for sums."""
        return np.nan_to_num(self.typical)


def reference_frame(panel: Panel, weather: pd.DataFrame, sun: Sun | None = None) -> Frame:
    """Power per rated watt, siblings' typical value, clear-sky expectation and light.

    Parameters
    ----------
    weather : canonical weather frame; only its air temperature is used, may be empty.
    sun : at the panel's stamps; default: computed here.
    """
    site = panel.site
    names = plane_names(site)
    plane_index = np.array([names.index(ref.plane) for ref in site.inputs])
    rated = np.array([ref.module.pmax_w if ref.module else np.nan for ref in site.inputs])
    made = (panel.power_w / rated).astype(np.float32)
    sun = sun_of(site.site, panel.ts.ravel()) if sun is None else sun
    plane_clear = _clear_sky(panel, weather, sun, plane_index)
    clear = plane_clear[:, :, plane_index]
    repeats = Repeats.of(panel, made)
    # A record that repeats itself is no witness of what a plane could make.
    stuck = repeats.held(clear) >= stuck_rows(panel.step_s)
    plane_typical, members = _typical_of_planes(np.where(stuck, np.nan, made).astype(np.float32), plane_index, len(names))
    typical, spoke = plane_typical[:, :, plane_index], members[:, :, plane_index]
    sky, carried = _carried(siblings.sky_index(plane_typical, plane_clear, members), plane_clear, panel.step_s)
    by_sky = np.nan_to_num(sky)[:, :, None] * clear
    # A whole plane may be down (branch tripped, snow): what other planes see still lights it.
    reference = np.fmax(np.nan_to_num(typical), OTHER_PLANES.value * by_sky)
    alone = spoke <= 2
    reference = np.where(alone | carried[:, :, None], np.fmax(reference, ALONE.value * by_sky), reference)
    return Frame(
        rated=rated,
        units=Units.of_site(site),
        plane_index=plane_index,
        elevation=sun.elevation_deg.reshape(panel.ts.shape).astype(np.float32),
        plane_typical=plane_typical,
        plane_clear=plane_clear,
        members=members,
        sky=sky,
        made=made,
        typical=typical,
        clear=clear,
        siblings=spoke,
        reference=reference,
        lit=_lit(reference, clear, sky) & panel.covered[:, :, None],
        repeats=repeats,
    )


def _clear_sky(panel: Panel, weather: pd.DataFrame, sun: Sun, plane_index: NDArray[np.int64]) -> F32:
    """Power per rated watt that a clear sky would give on each plane, [D, K, P]; a plane without angles lies flat."""
    site, names = panel.site, plane_names(panel.site)
    air = _air_temperature(site, panel.ts.ravel(), weather)
    out = np.empty((*panel.ts.shape, len(names)), np.float32)
    for p, name in enumerate(names):
        plane = site.planes.get(name)
        azimuth = plane.azimuth_deg if plane and plane.azimuth_deg is not None else 180.0
        tilt = plane.tilt_deg if plane and plane.tilt_deg is not None else 0.0
        poa = plane_effective(sun, azimuth, tilt)
        module = site.inputs[int(np.flatnonzero(plane_index == p)[0])].module
        out[:, :, p] = per_rated(module, poa, cell_temperature(poa, air, 1.0)).reshape(panel.ts.shape)
    return out


def _air_temperature(site: SiteDescription, ts: NDArray[np.int64], weather: pd.DataFrame) -> NDArray[np.float64]:
    """Air temperature at each stamp, Celsius: measured where a reading is near, else estimated from place and date."""
    guess = ambient_estimate(site.site, ts)
    if not len(weather):
        return guess
    told = weather["temp_air_c"].notna().to_numpy()
    order = np.argsort(weather["ts"].to_numpy()[told], kind="stable")
    known = weather["ts"].to_numpy(np.int64)[told][order]
    if len(known) < 2:
        return guess
    measured = np.interp(ts, known, weather["temp_air_c"].to_numpy(np.float64)[told][order])
    right = np.clip(np.searchsorted(known, ts), 1, len(known) - 1)
    near = np.minimum(np.abs(known[right] - ts), np.abs(known[right - 1] - ts)) <= _AIR_NEAR_S
    return np.where(near, measured, guess)


def _typical_of_planes(voice: F32, plane_index: NDArray[np.int64], planes: int) -> tuple[F32, NDArray[np.int64]]:
    """Typical value of each plane's members and how many of them spoke, both [D, K, P]."""
    typical = np.empty((*voice.shape[:2], planes), np.float32)
    members = np.empty(typical.shape, np.int64)
    for p in range(planes):
        typical[:, :, p], members[:, :, p] = siblings.typical(voice[:, :, plane_index == p])
    return typical, members


def _lit(reference: F32, clear: F32, sky: F32) -> Mask:
    """Light enough for a healthy input to make power, [D, K, N]."""
    nobody = (~np.isfinite(sky) | (sky < NOBODY.value))[:, :, None]
    # A plane that never sees the sun on a winter's day has its light all the same.
    least = np.clip(0.5 * clear.max(axis=1, keepdims=True), LEAST_SKY.value, LOW_SKY.value)
    return ((reference >= LIT_POWER.value) & (clear >= least)) | (nobody & (clear >= LIT_SKY.value))


def _carried(sky: F32, plane_clear: F32, step_s: int) -> tuple[F32, Mask]:
    """The sky index, [D, K], with stops of the whole site filled by the last index seen, for a few hours; and where it was filled.

    A site with one unit has no other witness when that unit stops at noon.
    """
    light = plane_clear.max(axis=2) >= CARRY_LIGHT.value
    voiced = np.isfinite(sky) & (sky >= NOBODY.value)
    index = np.broadcast_to(np.arange(sky.shape[1])[None, :], sky.shape)
    last = np.maximum.accumulate(np.where(voiced, index, -1), axis=1)
    recent = (last >= 0) & (index - last <= _CARRY_S / step_s)
    before = np.take_along_axis(sky, np.maximum(last, 0), axis=1)
    fill = light & ~voiced & recent & (before > CARRY_SKY.value)
    return np.where(fill, before, sky).astype(np.float32), fill
