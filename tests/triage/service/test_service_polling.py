"""The service polls the gateways its poll file names, and says so."""

from __future__ import annotations

import re
import subprocess
import sys
import time
from pathlib import Path

import pytest

from collectors.errors import InputError
from triage.service.polling import PollThread
from triage.service.server import Service
from triage.service.settings import NightSettings, Settings
from triage.workspace import Workspace

SITE = """[site]\nid = "shed"\nlatitude = 40.4\nlongitude = 0.0\ntimezone = "Europe/Madrid"
[modules.m]\npmax_w = 400
[[units]]\nserial = "U-001"\ngateway = "gw"\n[[units.inputs]]\ninput = 1\nmodule = "m"
[[units.inputs]]\ninput = 2\nmodule = "m"\n"""
POLL = """[[gateways]]\nsite = "shed"\nname = "gw"\nlink = "{link}"\nunits = "1"
interval_s = 1\ndaylight = "always"\n"""


def samples(folder: Path) -> int:
    with Workspace(folder).open("shed") as store:
        return int(store.db.conn.execute("SELECT COUNT(*) FROM input_sample").fetchone()[0])


@pytest.mark.slow
def test_readings_of_a_gateway_reach_the_site(tmp_path: Path) -> None:
    folder = tmp_path / "workspace"
    Workspace(folder).add_site(SITE).close()
    (tmp_path / "site.toml").write_text(SITE, encoding="utf-8")
    command = [
        sys.executable,
        "-m",
        "sample_logs.gateway",
        "--site",
        str(tmp_path / "site.toml"),
        "--port",
        "0",
    ]
    root = Path(__file__).parents[3]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=root) as gateway:
        try:
            assert gateway.stdout is not None
            found = re.search(r"at (\S+): units", gateway.stdout.readline())
            assert found
            (folder / "poll.toml").write_text(POLL.format(link=found[1]), encoding="utf-8")
            service = Service(folder, Settings(night=NightSettings(sweep_s=3600, drop_s=3600)))
            service.start()
            try:
                deadline = time.monotonic() + 60
                while samples(folder) < 2 and time.monotonic() < deadline:
                    time.sleep(0.2)
                assert samples(folder) >= 2
                health = service.health()
                assert (health["polling"], health["status"]) == ("running", "ok")
            finally:
                service.stop()
            assert service.polling.state == "off"
        finally:
            gateway.terminate()


def test_without_a_poll_file_nothing_is_polled(tmp_path: Path) -> None:
    polling = PollThread(tmp_path)
    polling.start()
    assert polling.state == "off"
    polling.stop()


def test_a_wrong_poll_file_is_told_at_the_start(tmp_path: Path) -> None:
    (tmp_path / "poll.toml").write_text("[[gateways]]\nsite = 1\n", encoding="utf-8")
    with pytest.raises(InputError):
        PollThread(tmp_path)


def test_polling_that_ends_by_itself_shows_in_the_health(tmp_path: Path) -> None:
    (tmp_path / "poll.toml").write_text(POLL.format(link="tcp://127.0.0.1:1"), encoding="utf-8")
    service = Service(tmp_path, Settings(night=NightSettings(sweep_s=3600, drop_s=3600)))
    service.start()  # the poll file names a site the workspace does not have
    try:
        deadline = time.monotonic() + 30
        while service.polling.state != "failed" and time.monotonic() < deadline:
            time.sleep(0.05)
        health = service.health()
        assert (health["polling"], health["status"]) == ("failed", "failing")
    finally:
        service.stop()
