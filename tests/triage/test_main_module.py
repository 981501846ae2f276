"""The command without its script, as in a virtual environment that is not activated."""

from __future__ import annotations

import subprocess
import sys


def test_python_m_triage_is_callout() -> None:
    done = subprocess.run([sys.executable, "-m", "triage", "--version"], capture_output=True, text=True, check=True)
    assert done.stdout.startswith("callout ")
