"""What the service's tests share: the sample site, a clock they set, form tokens."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from starlette.testclient import TestClient

import sample_logs

SITE = "ambrel-farmhouse"
SAMPLES = Path(sample_logs.__file__).parent / "sites"
#: The morning after the sample's last day.
MORNING = datetime(2025, 11, 5, 7, 0, tzinfo=UTC).timestamp()


@dataclass
class Clock:
    """A clock the test sets."""

    now: float = MORNING

    def __call__(self) -> float:
        return self.now


def token_of(client: TestClient, path: str = "/import") -> str:
    """A form token for this client's cookie, from a page that carries one."""
    found = re.search(r'name="csrf" (?:value|content)="([0-9a-f]+)"', client.get(path).text)
    assert found, f"no form token on {path}"
    return found[1]
