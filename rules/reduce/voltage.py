"""DC voltage against the module's nominal one and against that of the other inputs."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from collectors.site import SiteDescription
from rules.compat.expected import voltage_at_mpp
from rules.finding import Threshold
from rules.panel import Panel
from rules.ranks import F32, Mask
from rules.reduce.frame import Frame
from rules.reduce.slots import Features
from rules.siblings import nan_median

GOOD_LIGHT = Threshold(0.15, "W per rated W", "own reasoning: voltage is steady above some 150 W/m2 (De Soto model)")
THIRD_BAND = Threshold(0.075, "of siblings' voltage", "own reasoning: under half of the way from one third to one half")
FULL_CURRENT = Threshold(0.85, "of siblings' current", "own reasoning: a bypassed substring leaves the current as it is")
_WARM = 0.92  # operating voltage at a warm cell over that at STC: 30 K at -0.28 %/K (common practice)
UNKNOWN_VMP_V = 33.0  # V, of a module of 60 cells (common practice)


def nominal_volts(site: SiteDescription) -> NDArray[np.float64]:
    """Operating voltage of each input's module at STC, V, [N]; NaN unknown."""
    volts = [voltage_at_mpp(ref.module) if ref.module else None for ref in site.inputs]
    return np.array([np.nan if v is None else v for v in volts])


def voltage_features(panel: Panel, frame: Frame, making: Mask) -> Features:
    """Medians of the day, and hours at a voltage that lacks a substring's; ``making`` [D, K, N] are lit readings with power."""
    site, hours = panel.site, panel.hours
    nominal = nominal_volts(site)
    volts = np.where(making, panel.voltage_v, np.nan)
    told = np.isfinite(panel.power_w)
    known = np.isfinite(nominal)
    scaled = volts / np.where(known, nominal, np.nanmedian(nominal) if known.any() else UNKNOWN_VMP_V)
    good = making & (frame.typical >= GOOD_LIGHT.value) & np.isfinite(volts)
    ratio = _ratio_to_others(np.where(good, scaled, np.nan).astype(np.float32))
    amps = frame.made / frame.typical / ratio
    substrings = np.array([(ref.module.substrings if ref.module else None) or 3 for ref in site.inputs])
    near = np.zeros(ratio.shape, bool)
    for lost in (1, 2):
        level = np.maximum(substrings - lost, 0) / substrings
        near |= (np.abs(ratio - level) < THIRD_BAND.value) & (level > 0.2)
    return {
        "volts": nan_median(volts, 1),
        "zero_volts": nan_median(np.where(frame.lit & told & ~making, panel.voltage_v, np.nan) / nominal, 1),
        "volt_ratio": nan_median(ratio, 1),
        "amp_ratio": nan_median(np.where(np.isfinite(ratio), amps, np.nan), 1),
        "volt_good_h": np.isfinite(ratio).sum(axis=1) * hours,
        "third_h": (near & (amps > FULL_CURRENT.value)).sum(axis=1) * hours,
    }


def _ratio_to_others(scaled: F32) -> F32:
    """Voltage over the site's median voltage of the slot, both over nominal, [D, K, N].

    Voltage hardly depends on light, so every plane may speak; with fewer than
    three voices the nominal voltage at a warm cell stands in.
    """
    middle = nan_median(scaled, 2)
    count = np.isfinite(scaled).sum(axis=2)
    middle = np.where(count >= 3, middle, _WARM)
    return (scaled / middle[:, :, None]).astype(np.float32)
