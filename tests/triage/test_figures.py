"""Figures as people read them."""

from __future__ import annotations

import pytest

from triage.figures import silence


@pytest.mark.parametrize(("hours", "words"), [(50.0, "2.1 days"), (227.0, "9.5 days"), (229.0, "10 days"), (9719.0, "405 days")])
def test_a_long_silence_has_no_tenths(hours: float, words: str) -> None:
    assert silence(hours) == words
