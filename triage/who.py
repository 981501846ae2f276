"""Who signs a change where there are no logins."""

from __future__ import annotations

import getpass
import os
from typing import Final

VARIABLE: Final = "CALLOUT_USER"


def local_name() -> str:
    """The name in ``CALLOUT_USER``, else the account the process runs under."""
    try:
        return os.environ.get(VARIABLE, "").strip() or getpass.getuser()
    except (KeyError, OSError):  # a container whose account has no name
        return "local"
