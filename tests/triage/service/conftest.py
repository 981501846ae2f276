"""A workspace with one sample site, imported and checked once, then copied for each test."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from service_makers import SAMPLES, SITE, Clock
from starlette.testclient import TestClient

from triage.importing import import_files
from triage.service.app import build_app
from triage.service.context import Context
from triage.service.keeper import NightKeeper
from triage.service.settings import NightSettings, Settings
from triage.service.state import ServiceState
from triage.service.workers import Here
from triage.workspace import Workspace


@pytest.fixture(scope="session")
def checked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of a workspace whose site is imported and whose night is done; never written to."""
    folder = tmp_path_factory.mktemp("checked")
    sample = SAMPLES / SITE
    with Workspace(folder).add_site((sample / "site.toml").read_text(encoding="utf-8")) as store:
        import_files(store, [sample / "telemetry.csv.gz"], [], [sample / "gateway_log.csv"])
    keeper = NightKeeper(folder, ServiceState(folder), NightSettings(), Clock(), Here())
    result = keeper.sweep()
    assert not result.failed
    assert result.done
    return folder


@pytest.fixture
def folder(checked: Path, tmp_path: Path) -> Path:
    """The test's own copy of that workspace."""
    shutil.copytree(checked, tmp_path / "workspace")
    return tmp_path / "workspace"


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def make_context(clock: Clock) -> Callable[..., Context]:
    def make(folder: Path, settings: Settings | None = None) -> Context:
        settings = settings or Settings()
        state = ServiceState(folder)
        keeper = NightKeeper(folder, state, settings.night, clock, Here())
        return Context(folder, settings, state, clock, health=lambda: {"status": "ok"}, check_soon=keeper.check_now)

    return make


@pytest.fixture
def context(folder: Path, make_context: Callable[..., Context]) -> Context:
    return make_context(folder)


@pytest.fixture
def client(context: Context) -> Iterator[TestClient]:
    with TestClient(build_app(context), base_url="http://127.0.0.1", follow_redirects=False) as client:
        yield client
