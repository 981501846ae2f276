"""Profiles of limits: the ones that come along, or anyone's own file."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

from collectors.errors import LayoutError, UsageError
from collectors.site import SiteDescription
from rules.compat.profile import Profile, parse_profile

_FOLDER = files("rules.compat") / "profiles"


def profile_names() -> list[str]:
    """Names of the profiles that come along, ascending."""
    return sorted(p.name.removesuffix(".toml") for p in _FOLDER.iterdir() if p.name.endswith(".toml"))


def profile_text(name: str) -> str:
    """The TOML text of a profile by name or of a file by path.

    Raises
    ------
    UsageError : neither.
    LayoutError : the file cannot be read.
    """
    if name in profile_names():
        return (_FOLDER / f"{name}.toml").read_text("utf-8")
    path = Path(name)
    if not path.is_file():
        raise UsageError(
            f"profile '{name}' is neither one of {', '.join(profile_names())} nor a file",
            "`callout compat --profiles` lists them.",
        )
    try:
        return path.read_text("utf-8-sig")
    except (OSError, UnicodeDecodeError) as exc:
        raise LayoutError(f"{path}: cannot be read: {exc}", "Give a UTF-8 TOML file.") from exc


def load_profile(name: str) -> Profile:
    """A profile by name or path."""
    return parse_profile(profile_text(name), name)


def choose_profile(option: str | None, site: SiteDescription) -> Profile:
    """The profile of ``--profile``, else of the site file: one must be chosen, none is a default.

    Raises
    ------
    UsageError : neither names one.
    """
    name = option or site.grid.profile
    if not name:
        raise UsageError(
            "no profile of limits is chosen",
            f"Choose one with --profile or [grid] profile in the site file: {', '.join(profile_names())}, or the path of your own.",
        )
    return load_profile(name)
