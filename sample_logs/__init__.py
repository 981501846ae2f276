"""One invented contractor's three sites, with what is wrong with them known.

Bramblewick Rooftop Works and its customers do not exist. ``python -m
sample_logs.make`` writes the files again, byte for byte.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

_HERE = Path(__file__).resolve().parent


@dataclass(frozen=True)
class SampleSite:
    """Paths of one sample site; ``weather`` and ``gateway_log`` are None where it has none."""

    id: str
    site: Path
    telemetry: Path
    weather: Path | None
    gateway_log: Path | None
    truth_path: Path

    @property
    def truth(self) -> dict[str, Any]:
        """``faults`` and ``lookalikes``, each a list of places, spans and details."""
        return dict(json.loads(self.truth_path.read_text(encoding="utf-8")))


def sample_sites() -> list[SampleSite]:
    """The sample sites, in the order of their folders."""

    def there(path: Path) -> Path | None:
        return path if path.exists() else None

    return [
        SampleSite(
            folder.name,
            folder / "site.toml",
            folder / "telemetry.csv.gz",
            there(folder / "weather.csv.gz"),
            there(folder / "gateway_log.csv"),
            folder / "truth.json",
        )
        for folder in sorted((_HERE / "sites").iterdir())
        if (folder / "site.toml").exists()
    ]
