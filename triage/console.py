"""The two consoles: results to stdout, notices and progress to stderr."""

from __future__ import annotations

from rich.console import Console

out = Console(soft_wrap=False)
err = Console(stderr=True)
