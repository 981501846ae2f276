"""kill -9 at random moments: whole polls or none, and the file stays sound.

Fifty kills: ``tests/bench/bench_modbus.py kills``.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from killing import kill_often


def test_killed_poller_loses_nothing_that_was_stored(run: Callable[[Callable[[], Any]], Any], tmp_path: Path) -> None:
    loss = run(lambda: kill_often(tmp_path, 5))
    assert loss.integrity == "ok"
    assert loss.half_polls == 0
    assert loss.lost_at_most == 0
    assert loss.polls > 5
