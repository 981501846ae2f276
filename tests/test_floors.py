"""Three floors, one direction; no two files import each other; rules open nothing."""

from __future__ import annotations

import ast
import tomllib
from pathlib import Path

import grimp
import pytest
from importlinter.api import read_configuration
from importlinter.cli import EXIT_STATUS_SUCCESS, lint_imports

ROOT = Path(__file__).resolve().parents[1]
FLOORS = ("collectors", "rules", "triage")
#: Calls by which a rule would reach out of its arguments.
REACH = {"open", "input", "print", "exec", "eval", "__import__"}
#: Modules a rule has no business with. ``json`` and ``importlib.resources`` read our own package data.
FOREIGN = {
    "sqlite3",
    "sqlite_utils",
    "socket",
    "time",
    "random",
    "subprocess",
    "urllib",
    "requests",
    "httpx",
    "threading",
}


def test_the_contracts_of_import_linter_hold(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    assert lint_imports(no_cache=True) == EXIT_STATUS_SUCCESS


def test_the_contracts_are_those_of_the_design() -> None:
    contracts = read_configuration(str(ROOT / "pyproject.toml"))["contracts_options"]
    layers = [c for c in contracts if c["type"] == "layers"]
    assert [c["layers"] for c in layers] == [["triage", "rules", "collectors"]]
    assert tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["tool"]["importlinter"]["root_packages"]


def test_no_two_files_import_each_other() -> None:
    graph = grimp.build_graph(*FLOORS, cache_dir=None)
    loops = [
        (one, other)
        for one in sorted(graph.modules)
        for other in graph.find_modules_directly_imported_by(one)
        if one < other and one in graph.find_modules_directly_imported_by(other)
    ]
    assert loops == []


def test_no_cycles() -> None:
    graph = grimp.build_graph(*FLOORS, cache_dir=None)
    waiting = {m: set(graph.find_modules_directly_imported_by(m)) - {m} for m in graph.modules}
    while True:
        done = {m for m, needs in waiting.items() if not needs}
        if not done:
            break
        waiting = {m: needs - done for m, needs in waiting.items() if m not in done}
    assert not waiting, f"import cycle among {sorted(waiting)}"


def _rule_files() -> list[Path]:
    return sorted((ROOT / "rules").rglob("*.py"))


@pytest.mark.parametrize("path", _rule_files(), ids=lambda p: str(p.relative_to(ROOT)))
def test_rules_open_nothing_and_ask_no_clock(path: Path) -> None:
    tree = ast.parse(path.read_text("utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.Import | ast.ImportFrom):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else [node.module or ""]
            for name in names:
                assert name.split(".")[0] not in FOREIGN, f"{path.name}:{node.lineno} imports {name}"
        if isinstance(node, ast.Call):
            name = node.func.id if isinstance(node.func, ast.Name) else ""
            assert name not in REACH, f"{path.name}:{node.lineno} calls {name}()"
            attribute = node.func.attr if isinstance(node.func, ast.Attribute) else ""
            assert attribute not in {"now", "utcnow", "today", "write_text", "to_csv", "to_sql"}, (
                f"{path.name}:{node.lineno} calls .{attribute}()"
            )
        assert not isinstance(node, ast.Global), f"{path.name}:{node.lineno} changes a global"
