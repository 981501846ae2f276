"""The workspace: a folder with one file per site."""

from __future__ import annotations

import os
import re
from pathlib import Path

from collectors.errors import StoreError, UsageError
from collectors.readonly import writable
from collectors.site import parse_site
from collectors.store import Store

VARIABLE = "CALLOUT_WORKSPACE"
DEFAULT = "callout-data"


class Workspace:
    """A folder; site files are ``<folder>/sites/<id>.sqlite``.

    Parameters
    ----------
    path : the folder; when None, the environment variable ``CALLOUT_WORKSPACE``,
        else ``./callout-data``. Nothing is created before the first site.
    """

    def __init__(self, path: str | Path | None = None) -> None:
        self.path = Path(path or os.environ.get(VARIABLE) or DEFAULT)

    @property
    def sites_folder(self) -> Path:
        return self.path / "sites"

    def site_ids(self) -> list[str]:
        """Ids of all sites, ascending."""
        return sorted(p.stem for p in self.sites_folder.glob("*.sqlite"))

    def known_sites(self) -> list[str]:
        """As :meth:`site_ids`, for a command that needs some.

        Raises
        ------
        UsageError : there are none.
        """
        known = self.site_ids()
        if not known:
            raise UsageError(f"workspace {self.path} has no sites", "Add one with `callout site add FILE.toml`.")
        return known

    def path_of(self, site_id: str) -> Path:
        """Where the file of a site is or would be."""
        if not re.fullmatch(r"[\w.\- ]+", site_id) or set(site_id) <= {".", " "}:
            raise UsageError(f"site id '{site_id}': letters, digits, dot, dash and space only", "Check the id.")
        return self.sites_folder / f"{site_id}.sqlite"

    def add_site(self, toml_text: str, source: str = "site file") -> Store:
        """Add a site, or update the description of one that is there.

        Raises
        ------
        SiteFileError : the description is wrong; nothing is created.
        StoreError : the folder cannot be written.
        """
        path = self.path_of(parse_site(toml_text, source).site.id)
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as exc:
            raise StoreError(
                f"{path.parent}: cannot be created: {exc.strerror}",
                "Choose a folder you may write to with --workspace.",
            ) from exc
        return Store.create(path, toml_text, source)

    def known_folder(self) -> Path:
        """The whole path of a folder that is there.

        Raises
        ------
        StoreError : there is no such folder.
        """
        if not self.path.is_dir():
            told = "is no folder" if self.path.exists() else "is not there"
            raise StoreError(f"workspace {self.path} {told}", "Name another --workspace, or add a site: `callout site add`.")
        return self.path.resolve()

    def need_writing(self) -> None:
        """Stop a command that writes before it has done half of its work.

        Raises
        ------
        StoreError : the folder cannot be written.
        """
        if not writable(self.sites_folder):
            raise StoreError(
                f"workspace {self.path}: cannot be written; nothing was changed",
                "Run this as a user who may write there, or choose another --workspace.",
            )

    def open(self, site_id: str, *, scratch: bool = False) -> Store:
        """Open a site's file; ``scratch`` as :meth:`collectors.store.Store.open` takes it.

        Raises
        ------
        StoreError : no such site, or its file is damaged.
        """
        path = self.path_of(site_id)
        if not path.is_file():
            known = ", ".join(self.site_ids()) or "none yet"
            raise StoreError(
                f"site '{site_id}' is not in workspace {self.path}; it has: {known}",
                "Add it with `callout site add FILE.toml`, or choose another --workspace.",
            )
        return Store.open(path, scratch=scratch)
