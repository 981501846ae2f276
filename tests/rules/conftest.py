"""Shared by the tests of the rules: healthy cases, and thresholds that can be moved."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from types import ModuleType

import pytest

from rules.case import Case
from tests.rules.make import case_of, make_roof

MoveThreshold = Callable[[ModuleType, str, float], None]


@pytest.fixture
def threshold(monkeypatch: pytest.MonkeyPatch) -> Iterator[MoveThreshold]:
    """Move a module's threshold for one test; what the module remembers of a case is forgotten."""
    moved: list[ModuleType] = []

    def put(module: ModuleType, name: str, value: float) -> None:
        monkeypatch.setattr(module, name, replace(getattr(module, name), value=value))
        moved.append(module)
        forget(module)

    yield put
    for module in moved:
        forget(module)


def forget(module: ModuleType) -> None:
    """Forget what a module's questions asked once remember of any case."""
    for held in list(vars(module).values()):
        if hasattr(held, "cache_clear"):
            held.cache_clear()


@pytest.fixture(scope="session")
def healthy_case() -> Case:
    """Two planes, five units, ten inputs, fourteen days of mixed sky, nothing wrong."""
    return case_of(make_roof())
