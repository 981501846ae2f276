"""The errors a person can act on, as one small tree.

    CalloutError
    ├── InputError            something handed to us is wrong (exit code 2)
    │   ├── SiteFileError     the site description
    │   ├── ReadingError      a telemetry, weather or log file
    │   ├── LayoutError       a layout or register-map file
    │   └── UsageError        a command's words
    ├── StoreError            the workspace: full disk, no rights, locked, damaged
    └── LinkError             a gateway or bus cannot be reached

``str(error)`` is what a person reads: the first line says what is wrong with
the value that broke it; ``remedy`` says the next thing to try.
"""

from __future__ import annotations


class CalloutError(Exception):
    """Base of every error that is not a bug of ours.

    Parameters
    ----------
    message : what is wrong, naming file, line, column or key where known.
    remedy : the next thing to try.
    """

    def __init__(self, message: str, remedy: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.remedy = remedy

    def __str__(self) -> str:
        return f"{self.message}\n\n{self.remedy}" if self.remedy else self.message


class InputError(CalloutError):
    """Something handed to us cannot be used as it is."""


class SiteFileError(InputError):
    """The site description is incomplete or contradicts itself."""


class ReadingError(InputError):
    """A telemetry, weather or log file cannot be understood."""


class LayoutError(InputError):
    """A layout file or register map is wrong."""


class UsageError(InputError):
    """A command was called with words that do not fit together."""


class StoreError(CalloutError):
    """The workspace cannot be read or written."""


class LinkError(CalloutError):
    """A gateway or bus cannot be reached."""
