"""Our model tables against the SunSpec Alliance's own definitions, as pysunspec2 1.3.7 ships them."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import sunspec2

from collectors.columns import STATES
from collectors.modbus.models import ModelPoint, decode_model, event_table, models, state_table
from collectors.modbus.types import TEXT, TYPES

DEFINITIONS = Path(sunspec2.__file__).parent / "models" / "json"


def definition(model_id: int) -> dict[str, Any]:
    return json.loads((DEFINITIONS / f"model_{model_id}.json").read_text())["group"]  # type: ignore[no-any-return]


def expected_points(points: list[dict[str, Any]], offset: int) -> dict[str, tuple[str, int, int, Any]]:
    found = {}
    for point in points:
        found[point["name"]] = (point["type"], offset, point["size"], point.get("sf"))
        offset += point["size"]
    return found


def ours(points: dict[str, ModelPoint]) -> dict[str, tuple[str, int, int, Any]]:
    return {p.name: (p.kind, p.offset, p.size, p.scale) for p in points.values()}


@pytest.mark.parametrize("model_id", sorted(models()))
def test_every_point_stands_where_the_definition_puts_it(model_id: int) -> None:
    model, defined = models()[model_id], definition(model_id)
    assert ours(dict(model.points)) == expected_points(defined["points"][2:], 2)
    groups = defined.get("groups", [])
    assert ours(dict(model.repeat)) == (expected_points(groups[0]["points"], 0) if groups else {})
    assert len(groups) <= 1


@pytest.mark.parametrize(
    ("model_id", "repeats", "length"),
    [
        (1, 0, 66),
        (101, 0, 50),
        (103, 0, 50),
        (111, 0, 60),
        (113, 0, 60),
        (160, 4, 88),
        (701, 0, 153),
        (714, 2, 68),
    ],
)
def test_lengths(model_id: int, repeats: int, length: int) -> None:
    """L as published: 160 is 8 + 20 N, 714 is 18 + 25 N (SunSpec model definitions)."""
    assert models()[model_id].length(repeats) == length
    assert models()[model_id].repeats(length) == repeats


def test_module_of_model_160_starts_at_10_plus_20_k() -> None:
    model = models()[160]
    assert (model.fixed_size, model.repeat_size) == (10, 20)
    offsets = {name: model.repeat[name].offset for name in ("DCA", "DCV", "DCW", "DCWH", "Tms", "Tmp", "DCSt", "DCEvt")}
    assert offsets == {
        "DCA": 9,
        "DCV": 10,
        "DCW": 11,
        "DCWH": 12,
        "Tms": 14,
        "Tmp": 16,
        "DCSt": 17,
        "DCEvt": 18,
    }
    assert (model.points["Evt"].offset, model.points["N"].offset) == (6, 8)


#: The same operating state in the words of the definitions, without their prefix.
STATE_OF = {
    "OFF": "off",
    "SLEEPING": "off",
    "STARTING": "starting",
    "MPPT": "producing",
    "RUNNING": "producing",
    "THROTTLED": "producing",
    "SHUTTING_DOWN": "standby",
    "FAULT": "fault",
    "STANDBY": "standby",
}


@pytest.mark.parametrize(
    ("table", "model_id", "point"),
    [("inverter", 101, "St"), ("inverter", 113, "St"), ("der_ac", 701, "InvSt")],
)
def test_states_count_as_the_definition_counts(table: str, model_id: int, point: str) -> None:
    symbols = symbols_of(definition(model_id)["points"], point)
    assert state_table(table) == {value: STATE_OF[name.removeprefix("gg")] for name, value in symbols.items()}
    assert set(state_table(table).values()) <= set(STATES)


def symbols_of(points: list[dict[str, Any]], name: str) -> dict[str, int]:
    point = next(p for p in points if p["name"] == name)
    return {s["name"]: s["value"] for s in point["symbols"]}


def words_of(text: str) -> set[str]:
    """Letters only, spelling of the definitions evened out."""
    text = text.lower().replace("hw", "hardware").replace("temp", "temperature").replace("volt", "voltage")
    text = text.replace("temperatureerature", "temperature").replace("voltageage", "voltage")
    return {w for w in re.split(r"[^a-z]+", text) if w not in ("s", "open", "own", "reserved")}


@pytest.mark.parametrize(
    ("table", "model_id", "point", "repeat"),
    [
        ("inverter", 101, "Evt1", False),
        ("inverter", 111, "Evt1", False),
        ("der_ac", 701, "Alrm", False),
        ("dc_input", 160, "Evt", False),
        ("dc_input", 160, "DCEvt", True),
        ("dc_input", 714, "DCAlrm", True),
    ],
)
def test_event_bits_mean_what_the_definition_says(table: str, model_id: int, point: str, repeat: bool) -> None:
    defined = definition(model_id)
    points = defined["groups"][0]["points"] if repeat else defined["points"]
    symbols = {value: name for name, value in symbols_of(points, point).items() if "RESERVED" not in name}
    assert set(event_table(table)) == set(symbols)
    for bit, name in symbols.items():
        if name != "MANUFACTURER_ALRM":  # ours: "maker's own alarm"
            assert words_of(event_table(table)[bit]) == words_of(name), bit


def test_bit_15_differs_by_model() -> None:
    assert event_table("inverter")[15] == "hardware test failure"
    assert event_table("dc_input")[15] == "arc detection"


@pytest.mark.parametrize("model_id", sorted(models()))
def test_a_model_full_of_sentinels_reports_nothing(model_id: int) -> None:
    model = models()[model_id]
    words = [model_id, model.length(2)]
    for point in [*model.points.values(), *([*model.repeat.values()] * 2)]:
        sentinel = None if point.kind == TEXT else TYPES[point.kind].sentinel
        if point.kind == TEXT:
            words += [0] * point.size
        elif sentinel is None:
            words += [0x7FC0] + [0] * (point.size - 1)
        else:
            words += [sentinel >> 16 * k & 0xFFFF for k in reversed(range(point.size))]
    decoded = decode_model(model, np.array([words], dtype=np.uint16))
    for name, values in {**decoded.fixed, **decoded.repeat}.items():
        point = model.points.get(name) or model.repeat[name]
        assert np.all(values == -1) if point.is_bits else np.all(np.isnan(values)), name


def test_points_past_a_short_model_are_not_implemented() -> None:
    model = models()[101]
    words = np.zeros((1, 40), dtype=np.uint16)
    decoded = decode_model(model, words)
    assert np.isnan(decoded.fixed["St"]) == (model.points["St"].end > 40)
    assert decoded.fixed["Evt2"] == -1
