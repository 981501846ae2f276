from __future__ import annotations

import numpy as np
import pytest

from rules.case import Case
from rules.daytable import BINS, FIELDS, SYMPTOMS, DayTable, day_iso, layout_hash, plane_names, sizes
from tests.rules.make import FIRST_DAY, make_roof, table_of


@pytest.fixture(scope="module")
def table() -> DayTable:
    roof = make_roof(days=5)
    roof.dead(1, roof.when(1, 2))
    return table_of(roof, roof.weather())


def test_shapes_are_those_of_the_fields(table: DayTable) -> None:
    size = sizes(table.site)
    assert (size["N"], size["U"], size["P"], size["B"], size["S"]) == (10, 5, 2, BINS, len(SYMPTOMS))
    for name, (dims, meaning) in FIELDS.items():
        assert table[name].shape == (5, *(size[d] for d in dims)), name
        assert meaning


def test_pack_and_unpack(table: DayTable) -> None:
    again = DayTable.unpack(table.site, table.days.tolist(), [table.pack(k) for k in range(len(table))])
    assert (again.days == table.days).all()
    for name in FIELDS:
        np.testing.assert_allclose(again[name], table[name], rtol=1e-6, atol=1e-6, err_msg=name)
    # Seconds and lifetime counters need more digits than a float32 has.
    assert np.nanmax(np.abs(again["symptom_first"] - table["symptom_first"])) < 0.01
    assert (again["counter_last"] == table["counter_last"])[np.isfinite(table["counter_last"])].all()


def test_packing_twice_changes_nothing(table: DayTable) -> None:
    once = DayTable.unpack(table.site, table.days[:1].tolist(), [table.pack(0)])
    assert once.pack(0) == table.pack(0)


def test_concat_puts_days_in_order(table: DayTable) -> None:
    parts = [
        DayTable(table.site, table.days[k : k + 1], {n: v[k : k + 1] for n, v in table.fields.items()}) for k in (3, 0, 4, 1, 2)
    ]
    whole = DayTable.concat(table.site, [*parts, DayTable.empty(table.site)])
    assert (whole.days == table.days).all()
    np.testing.assert_array_equal(whole["power"], table["power"])


def test_nothing_in_nothing_out(table: DayTable) -> None:
    assert len(DayTable.concat(table.site, [])) == 0
    assert len(DayTable.unpack(table.site, [], [])) == 0
    assert Case(DayTable.empty(table.site)).day_count == 0


def test_days_and_planes_by_name(table: DayTable) -> None:
    assert (day_iso(0), day_iso(FIRST_DAY), table.iso(0)) == ("1970-01-01", "2024-05-20", "2024-05-20")
    assert plane_names(table.site) == ["south", "west"]


def test_a_changed_site_has_another_layout(table: DayTable) -> None:
    other = make_roof(days=1, latitude=41.0).site
    assert layout_hash(table.site) == layout_hash(make_roof(days=1).site)
    assert layout_hash(table.site) != layout_hash(other)
