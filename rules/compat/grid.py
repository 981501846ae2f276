"""The grid window the units were set to, and what happens after an outage."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from collectors.site import SiteDescription
from rules.compat.expected import expected_start_irradiance
from rules.compat.groups import input_groups
from rules.compat.profile import Profile
from rules.compat.result import Check, judged

#: A site whose nominal voltage is further off belongs to another profile.
_SAME_NOMINAL = 0.06


def grid_checks(site: SiteDescription, profile: Profile) -> Iterator[Check]:
    """Does the profile fit the site, is the window as wide as it may be, how long after an outage."""
    where: dict[str, Any] = {
        "scope": "AC",
        "place": "whole site",
        "members": tuple(unit.serial for unit in site.units),
    }
    nominal = site.grid.nominal_v or profile.nominal_v
    yield judged(
        id="profile-fit",
        title="Does the profile fit this grid",
        **where,
        formula="|nominal / profile's nominal - 1|",
        numbers={"nominal_v": nominal, "profile_v": profile.nominal_v},
        value=abs(nominal / profile.nominal_v - 1.0),
        relation="<=",
        limit=_SAME_NOMINAL,
        unit="",
        near=0.0,
        source=f"profile {profile.name}: {profile.title}",
        change="Choose this grid's profile (--profile or [grid] profile); until then trust no AC row.",
        note="Nominal voltage from the profile: the file gives none." if site.grid.nominal_v is None else "",
    )
    yield from _window(site, profile, nominal, where)
    yield _after_outage(site, profile, where)


def _window(site: SiteDescription, profile: Profile, nominal: float, where: dict[str, Any]) -> Iterator[Check]:
    grid = site.grid
    change = "Set beyond the profile. The network operator owns these settings: ask for them in writing."
    if grid.high_v is not None:
        yield judged(
            id="window-high",
            title="Upper voltage setting",
            **where,
            formula="setting against profile",
            numbers={"nominal_v": nominal},
            value=grid.high_v,
            relation="<=",
            limit=profile.value("high_pu") * nominal,
            unit="V",
            near=0.0,
            source=profile.source("high_pu"),
            change=change,
            worst="near",
        )
    if grid.low_v is not None:
        yield judged(
            id="window-low",
            title="Lower voltage setting",
            **where,
            formula="setting against profile",
            numbers={"nominal_v": nominal},
            value=grid.low_v,
            relation=">=",
            limit=profile.value("low_pu") * nominal,
            unit="V",
            near=0.0,
            source=profile.source("low_pu"),
            change=change,
            worst="near",
        )
    if grid.reconnect_s is not None:
        yield judged(
            id="reconnect",
            title="Wait after a grid disturbance",
            **where,
            formula="setting against profile",
            numbers={},
            value=grid.reconnect_s,
            relation=">=",
            limit=profile.value("reconnect_s"),
            unit="s",
            near=0.0,
            source=profile.source("reconnect_s"),
            change="Shorter than the profile asks: get the network operator's written value.",
        )


def _after_outage(site: SiteDescription, profile: Profile, where: dict[str, Any]) -> Check:
    """Information: when every unit should be back, and in what order they wake in the morning."""
    wait = site.grid.reconnect_s if site.grid.reconnect_s is not None else profile.value("reconnect_s")
    ramp = profile.value("ramp_s")
    order = [
        (float(expected_start_irradiance(group.refs[0], 10.0)), group.place)
        for group in input_groups(site)
        if group.module is not None
    ]
    known = sorted((light, place) for light, place in order if np.isfinite(light))
    words = "; ".join(f"{place} at {light:.0f} W/m²" for light, place in known)
    return Check(
        id="after-outage",
        title="Back after an outage by day",
        **where,
        verdict="pass",
        formula="wait + ramp",
        numbers={"wait_s": wait, "ramp_s": ramp},
        value=wait + ramp,
        limit=None,
        relation="",
        unit="s",
        source=f"{profile.source('reconnect_s')}; {profile.source('ramp_s')}",
        note="All units wait together, from the moment voltage and frequency are back; less than full output "
        "within that time is no fault." + (f" In the morning they wake in this order: {words}." if words else ""),
    )
