"""Requests: every register once, never more than 125, as few as possible."""

from __future__ import annotations

from functools import cache

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collectors.modbus.plan import MAX_REGISTERS, Span, plan_reads

spans = st.lists(st.builds(Span, st.just(3), st.integers(0, 300), st.integers(1, 8)), min_size=1, max_size=12)


def test_adjacent_and_overlapping_spans_share_a_request() -> None:
    reads = plan_reads([Span(3, 10, 2), Span(3, 12, 4), Span(3, 11, 3)])
    assert reads == (Span(3, 10, 6),)


def test_gap_is_bridged_only_when_allowed() -> None:
    pair = [Span(3, 0, 2), Span(3, 5, 1)]
    assert len(plan_reads(pair)) == 2
    assert len(plan_reads(pair, max_gap=2)) == 2
    assert plan_reads(pair, max_gap=3) == (Span(3, 0, 6),)


def test_functions_do_not_mix() -> None:
    assert len(plan_reads([Span(3, 0, 1), Span(4, 1, 1)])) == 2


def test_limit_of_125_registers() -> None:
    """Modbus application protocol specification V1.1b3, functions 3 and 4: 1 to 125 registers."""
    assert plan_reads([Span(3, k, 1) for k in range(125)]) == (Span(3, 0, 125),)
    assert len(plan_reads([Span(3, k, 1) for k in range(126)])) == 2
    with pytest.raises(ValueError, match="126 registers at 0 exceed one request"):
        plan_reads([Span(3, 0, 126)])


@given(spans, st.integers(0, 20), st.integers(8, MAX_REGISTERS))
def test_every_span_lies_in_one_request(wanted: list[Span], gap: int, limit: int) -> None:
    reads = plan_reads(wanted, max_registers=limit, max_gap=gap)
    for span in wanted:
        assert any(r.address <= span.address and span.end <= r.end for r in reads)
    assert all(1 <= r.count <= limit for r in reads)


@given(spans, st.integers(0, 10), st.integers(8, 40))
def test_no_cover_needs_fewer_requests(wanted: list[Span], gap: int, limit: int) -> None:
    """Against exhaustive search over where each request of consecutive spans ends."""
    ordered = sorted(set(wanted))

    @cache
    def fewest(start: int) -> int:
        if start == len(ordered):
            return 0
        best, end = len(ordered), ordered[start].address
        for stop in range(start, len(ordered)):
            if stop > start and ordered[stop].address - end > gap:
                break
            end = max(end, ordered[stop].end)
            if end - ordered[start].address > limit:
                break
            best = min(best, 1 + fewest(stop + 1))
        return best

    assert len(plan_reads(wanted, max_registers=limit, max_gap=gap)) == fewest(0)
