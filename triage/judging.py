"""A stored site opened to be judged by hand, also where its file cannot be written."""

from __future__ import annotations

from collectors.store import Store
from triage.console import err
from triage.workspace import Workspace


def open_to_judge(place: Workspace, site: str) -> Store:
    """Open a site; one that cannot be written is judged in a copy that is forgotten, and that is said."""
    store = place.open(site, scratch=True)
    if store.mode == "scratch":
        err.print(
            f"{store.path}: cannot be written, so what follows is told and not recorded.",
            style="yellow",
            markup=False,
            highlight=False,
            soft_wrap=True,
        )
    return store
