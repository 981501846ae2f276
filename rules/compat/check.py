"""The electrical check of a whole site file against one profile of limits."""

from __future__ import annotations

from collectors.datasheet import (
    Question,
    cable_questions,
    inverter_questions,
    module_questions,
    site_questions,
)
from collectors.site import SiteDescription
from rules.compat.ac import ac_checks
from rules.compat.dc import input_checks
from rules.compat.dc_unit import unit_checks
from rules.compat.grid import grid_checks
from rules.compat.link import link_checks
from rules.compat.profile import Profile
from rules.compat.result import CompatResult
from rules.compat.year import YearWeather, year_checks


def check_site(site: SiteDescription, profile: Profile, weather: YearWeather | None = None) -> CompatResult:
    """Every check, DC first, then AC, then radio and bus.

    Parameters
    ----------
    weather : a year's weather for the clipping row; None is a cloudless year.
    """
    checks = (
        *input_checks(site, profile),
        *unit_checks(site, profile),
        *year_checks(site, profile, weather),
        *grid_checks(site, profile),
        *ac_checks(site, profile),
        *link_checks(site, profile),
    )
    return CompatResult(
        site=site.site.id,
        name=site.site.name,
        profile=profile.name,
        profile_title=profile.title,
        profile_status=profile.status,
        checks=checks,
    )


def questions(site: SiteDescription) -> dict[str, list[Question]]:
    """Values that look like another unit or column, by the table of the site file they stand in.

    What ``[options] as_written`` names is left out.
    """
    found = {"site": site_questions(site.site.model_dump())}
    found |= {f"modules.{n}": module_questions(m.model_dump()) for n, m in site.modules.items()}
    found |= {f"inverters.{n}": inverter_questions(i.model_dump()) for n, i in site.inverters.items()}
    found |= {f"branches.{n}": cable_questions(b.model_dump()) for n, b in site.branches.items()}
    found["service"] = cable_questions(site.service.model_dump())
    settled = set(site.options.as_written)
    found = {t: [q for q in asked if f"{t}.{q.key}" not in settled] for t, asked in found.items()}
    return {table: asked for table, asked in found.items() if asked}
