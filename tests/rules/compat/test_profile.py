"""Profiles are data with sources; the tabulated cold factors against the one-diode model."""

from __future__ import annotations

import numpy as np
import pytest
from conftest import PROFILE_FOLDER, PROFILE_NAMES, read_profile
from measure_library import crystalline, one_diode

from collectors.errors import LayoutError
from rules.compat.dc import NEAR_TABLE
from rules.compat.profile import LIMITS, Profile, parse_profile

TEXT = (PROFILE_FOLDER / "iec-230.toml").read_text("utf-8")


@pytest.mark.parametrize("name", PROFILE_NAMES)
def test_every_profile_is_whole_and_says_where_from(name: str) -> None:
    profile = read_profile(name)
    assert profile.name == name
    assert profile.limits.keys() == LIMITS.keys()
    for key, limit in profile.limits.items():
        words = limit.source.lower()
        known = (
            "memory",
            "practice",
            "own choice",
            "secondary",
            "conditions",
            "practice",
            "lines",
            "tia",
            "insulation",
        )
        assert any(word in words for word in known) or "column" in words, (key, limit.source)
    assert "prevail" in profile.status or "compare" in profile.status


def test_profiles_cover_both_frequencies() -> None:
    assert {read_profile(n).nominal_hz for n in PROFILE_NAMES} == {50.0, 60.0}


def test_iso_and_ieee_reconnection_waits() -> None:
    # IEEE 1547-2018 enter service after 300 s; AS/NZS 4777.2 at least 60 s (secondary summaries).
    assert read_profile("na-240").value("reconnect_s") == 300.0
    assert read_profile("anz-230").value("reconnect_s") == 60.0


@pytest.mark.parametrize(
    ("lowest", "factor"),
    # Wiring-code table for crystalline silicon (NEC 690.7), from memory.
    [(25, 1.0), (22, 1.02), (0, 1.10), (-1, 1.12), (-6, 1.14), (-10, 1.14), (-11, 1.16), (-21, 1.20),
     (-25, 1.20), (-36, 1.25), (-40, 1.25), (-41, None)],
)  # fmt: skip
def test_cold_factor_by_lowest_temperature(iec: Profile, lowest: float, factor: float | None) -> None:
    assert iec.cold_factor(lowest) == factor


def test_cold_factors_are_on_the_safe_side_of_the_one_diode_model(iec: Profile) -> None:
    # At the bottom of each step the table covers 71 to 83 % of the crystalline modules of the CEC table,
    # and 99 % with the 5 % of room under which the check says "near".
    table = crystalline(10)
    voc = table["V_oc_ref"].to_numpy(float)
    for step in iec.cold_factors:
        ratio = one_diode(table, 1000.0, step.down_to_c)["v_oc"] / voc
        assert np.nanmean(ratio <= step.factor) > 0.70, step
        assert np.nanquantile(ratio, 0.99) < step.factor * (1.0 + NEAR_TABLE.value), step
        # And not so far off that it stops meaning anything: within 4 % of the median.
        assert step.factor < 1.04 * np.nanmedian(ratio), step


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("isc_factor = ", "isc_facto = "), "isc_factor"),
        (('name = "iec-230"', 'name = "IEC 230"'), "name"),
        (("{ down_to_c = -10, factor = 1.14 }", "{ down_to_c = -10, factor = 1.02 }"), "colder and larger"),
        (("[limits]", "[limits"), "not valid TOML"),
    ],
)
def test_wrong_profile_is_named(change: tuple[str, str], words: str) -> None:
    assert change[0] in TEXT
    with pytest.raises(LayoutError) as caught:
        parse_profile(TEXT.replace(*change), "mine.toml")
    assert str(caught.value).startswith("mine.toml")
    assert words in str(caught.value)


def test_a_limit_without_a_source_is_refused() -> None:
    line = next(li for li in TEXT.splitlines() if li.startswith("altitude_m"))
    with pytest.raises(LayoutError, match=r"limits\.altitude_m\.source"):
        parse_profile(TEXT.replace(line, "altitude_m = { value = 2000.0 }"), "mine.toml")
