"""What is kept of a day: one row of features per input, unit, plane and day.

A day is reduced once, from that day's samples and the site description alone,
so nights add up to the same table as one run over everything. Rules read this
table and never raw samples. :meth:`DayTable.pack` and :meth:`DayTable.unpack`
turn single days into bytes for the store.
"""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache
from math import prod
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from collectors.site import SiteDescription

#: Bins of local mean solar time in a day (half an hour each).
BINS: Final = 48
BIN_HOURS: Final = 24.0 / BINS
#: Bins of unit temperature: from 40 Celsius in steps of 5, the last one open.
HEAT_FROM_C: Final = 40.0
HEAT_STEP_C: Final = 5.0
HEAT_BINS: Final = 11
#: Symptoms an input can show in a lit slot.
SYMPTOMS: Final = ("missing", "dead", "idle", "dark", "standby")
MISSING, DEAD, IDLE, DARK, STANDBY = range(5)
#: Weather kept per bin.
SKY: Final = ("ghi", "poa", "dni", "dhi", "air", "module", "wind")

#: name -> (dimensions after the day, meaning). N inputs, U units, P planes,
#: B bins, S symptoms, H heat bins. Energies are per rated watt: Wh/W = h.
FIELDS: Final[dict[str, tuple[str, str]]] = {
    "step_s": ("", "logging step, s"),
    "covered_h": ("", "lit hours inside the record"),
    "clear_h": ("", "clear-sky energy on the horizontal inside the record, h of 1000 W/m2"),
    "power": ("NB", "energy recorded, h"),
    "typical": ("NB", "what the plane's siblings made over the same slots, h"),
    "clear": ("NB", "clear-sky expectation over the same slots, h"),
    "free_power": ("NB", "energy recorded while neither the input nor its siblings were at a ceiling, h"),
    "free_typical": ("NB", "what siblings made over those slots, h"),
    "plane_typical": ("PB", "siblings' typical energy over all lit slots, h"),
    "plane_clear": ("PB", "clear-sky expectation over the slots of plane_typical, h"),
    "plane_clear_all": ("PB", "clear-sky expectation over all covered slots, h"),
    "plane_power": ("PB", "mean energy of all inputs of the plane, h"),
    "symptom_slots": ("NS", "lit slots with the symptom, h"),
    "symptom_loss": ("NS", "energy siblings made meanwhile, h"),
    "symptom_clear": ("NS", "clear-sky expectation meanwhile, h"),
    "symptom_first": ("NS", "UTC second of the first such slot; NaN none"),
    "symptom_last": ("NS", "UTC second of the last such slot; NaN none"),
    "lit_h": ("N", "hours in which siblings or the sky say there was light"),
    "seen_h": ("N", "of those, hours with a reported or derived power"),
    "gaps": ("N", "number of runs of missing lit slots"),
    "longest_gap_h": ("N", "longest run of missing lit slots, h"),
    "night_power_h": ("N", "hours with power while the sun was well down"),
    "night_rows_h": ("N", "hours with a row while the sun was well down"),
    "volts": ("N", "median voltage while lit, V"),
    "zero_volts": ("N", "median voltage over nominal while lit and making nothing"),
    "volt_ratio": ("N", "median of voltage over siblings' voltage in good light"),
    "amp_ratio": ("N", "median of current over siblings' current in good light"),
    "volt_good_h": ("N", "hours behind volt_ratio"),
    "third_h": ("N", "good-light hours at one or two thirds of siblings' voltage and full current"),
    "frozen_h": ("N", "longest run of repeated readings while siblings changed, h"),
    "frozen_share": ("N", "share of lit hours inside such runs"),
    "clipped_h": ("N", "hours at the ceiling"),
    "clip_level": ("N", "power at the ceiling per rated watt"),
    "counter_first": ("N", "first lifetime counter of the day, Wh"),
    "counter_last": ("N", "last lifetime counter of the day, Wh"),
    "counter_reset": ("N", "1 when the counter fell"),
    "restarts": ("U", "times production stopped in full light while siblings went on"),
    "start_h": ("U", "lit hours in state starting or standby"),
    "fault_h": ("U", "lit hours in state fault"),
    "volt_high_h": ("U", "hours above the grid window"),
    "volt_low_h": ("U", "hours below the grid window"),
    "hz_out_h": ("U", "hours outside the frequency window"),
    "ac_volts_max": ("U", "highest grid voltage while lit, V"),
    "ac_volts_min": ("U", "lowest grid voltage while lit, V"),
    "ac_volts_med": ("U", "median grid voltage while lit, V"),
    "ac_hz_max": ("U", "highest grid frequency while lit, Hz"),
    "ac_hz_min": ("U", "lowest grid frequency while lit, Hz"),
    "ac_dead_h": ("U", "lit hours with no grid voltage"),
    "grid_trip_h": ("U", "lit hours without production after the grid left its window"),
    "grid_loss": ("U", "energy expected by the sky's light meanwhile, h"),
    "temp_max": ("U", "highest unit temperature, Celsius"),
    "signal": ("U", "median radio signal, dBm"),
    "heat_power": ("UH", "energy by unit temperature, h"),
    "heat_typical": ("UH", "siblings' energy by unit temperature, h"),
    "heat_light": ("UH", "clear-index expectation by unit temperature, h"),
    "dip_h": ("U", "hours at under 93 % of the reference, not off"),
    "dip_temp": ("U", "mean unit temperature meanwhile, Celsius"),
    "dip_over": ("U", "mean excess over the median unit's temperature meanwhile, K"),
    "dip_loss": ("U", "reference less power meanwhile, h summed over inputs"),
    "cap_level": ("B", "median of units' upper power per rated watt"),
    "cap_wobble": ("B", "relative change of that from slot to slot"),
    "cap_spread": ("B", "relative spread between the upper units"),
    "hz_bin": ("B", "mean grid frequency, Hz"),
    "volt_bin": ("B", "mean grid voltage, V"),
    "kt_wobble": ("B", "relative change of the clear index inside the bin"),
    "sky": ("WB", "mean of each weather column"),
    "sky_slots": ("WB", "rows behind it"),
    "sky_late": ("", "mean time of those rows' stamps after the middle of their half hour, s; NaN without rows"),
    "poa_plane": ("", "plane of the irradiance sensor in sky, -1 unknown"),
    "plane_poa": ("PB", "mean irradiance by each plane's own sensor, W/m2; NaN without one"),
    "quiet_gap_h": ("U", "longest daylight run in which the unit's whole gateway was silent, h"),
    "quiet_gaps": ("U", "number of such runs"),
    "quiet_missing_h": ("U", "hours of them"),
    "quiet_clear": ("U", "clear-sky expectation of the unit's inputs meanwhile, h summed over inputs"),
    "own_gap_h": ("U", "longest run in which this unit was silent while its gateway heard others, h"),
    "own_gaps": ("U", "number of such runs"),
    "own_missing_h": ("U", "hours of them"),
    "own_missing_loss": ("U", "reference of the unit's inputs meanwhile, h summed over inputs"),
    "unit_lit_h": ("U", "lit hours in which the gateway was heard"),
    "unit_day_h": ("U", "daylight hours inside the record"),
    "unit_seen_h": ("U", "hours with a row, day or night"),
}


@lru_cache(maxsize=4096)
def day_iso(day: int) -> str:
    """ISO date of a solar day number."""
    return (date(1970, 1, 1) + timedelta(days=day)).isoformat()


def plane_names(site: SiteDescription) -> list[str]:
    """Planes in use, in order of first use; "" holds inputs without one."""
    return list(dict.fromkeys(ref.plane for ref in site.inputs))


def sizes(site: SiteDescription) -> dict[str, int]:
    return {
        "N": len(site.inputs),
        "U": len(site.units),
        "P": len(plane_names(site)),
        "B": BINS,
        "S": len(SYMPTOMS),
        "H": HEAT_BINS,
        "W": len(SKY),
    }


def layout_hash(site: SiteDescription) -> str:
    """Changes when packed days of an older site description no longer fit."""
    text = repr([FIELDS, site.model_dump(exclude={"notes"})])
    return hashlib.sha256(text.encode()).hexdigest()[:16]


@dataclass(frozen=True)
class DayTable:
    """Features of D days; ``table["power"]`` is float64[D, N, B] (see FIELDS)."""

    site: SiteDescription
    days: NDArray[np.int64]
    fields: dict[str, NDArray[np.float64]]

    def __getitem__(self, name: str) -> NDArray[np.float64]:
        return self.fields[name]

    def __len__(self) -> int:
        return len(self.days)

    def iso(self, index: int) -> str:
        return day_iso(int(self.days[index]))

    @classmethod
    def empty(cls, site: SiteDescription) -> DayTable:
        size = sizes(site)
        return cls(
            site,
            np.zeros(0, np.int64),
            {name: np.zeros((0, *(size[d] for d in dims))) for name, (dims, _) in FIELDS.items()},
        )

    @classmethod
    def concat(cls, site: SiteDescription, tables: Sequence[DayTable]) -> DayTable:
        """Join tables of different days, in order of day."""
        tables = [t for t in tables if len(t)]
        if not tables:
            return cls.empty(site)
        days = np.concatenate([t.days for t in tables])
        order = np.argsort(days, kind="stable")
        return cls(
            site,
            days[order],
            {name: np.concatenate([t.fields[name] for t in tables])[order] for name in FIELDS},
        )

    def pack(self, index: int) -> bytes:
        """One day as bytes; float32, seconds of the day kept relative to its start."""
        start = float(self.days[index]) * 86400.0
        parts: list[Any] = []
        for name in FIELDS:
            value = self.fields[name][index]
            if name in _ABSOLUTE:
                value = value - start
            if name in _WIDE:
                parts.append(np.asarray(value, np.float64).tobytes())
            else:
                parts.append(np.asarray(value, np.float32).tobytes())
        return zlib.compress(b"".join(parts), 1)

    @classmethod
    def unpack(cls, site: SiteDescription, days: Sequence[int], blobs: Sequence[bytes]) -> DayTable:
        """Inverse of :meth:`pack` for several days (ascending)."""
        if not len(days):
            return cls.empty(site)
        size = sizes(site)
        raw = np.frombuffer(b"".join(zlib.decompress(b) for b in blobs), np.float32).reshape(len(days), -1)
        fields: dict[str, NDArray[np.float64]] = {}
        at = 0
        for name, (dims, _) in FIELDS.items():
            shape = tuple(size[d] for d in dims)
            dtype = np.float64 if name in _WIDE else np.float32
            width = prod(shape) * np.dtype(dtype).itemsize // raw.itemsize
            block = raw[:, at : at + width]
            values = block.copy().view(np.float64) if name in _WIDE else block.astype(np.float64)
            fields[name] = values.reshape(len(days), *shape)
            if name in _ABSOLUTE:
                start = np.asarray(days, np.float64) * 86400.0
                fields[name] += start.reshape(-1, *(1 for _ in shape))
            at += width
        return cls(site, np.asarray(days, np.int64), fields)


_ABSOLUTE = {"symptom_first", "symptom_last"}
_WIDE = {"counter_first", "counter_last"}
