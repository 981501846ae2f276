"""The HTML report of a site, written after its night into ``<workspace>/reports``."""

from __future__ import annotations

from pathlib import Path

from triage.report.files import write_report
from triage.workspace import Workspace


def report_path(workspace: Path, site: str) -> Path:
    """Where the report of a site is, the same as for `callout report SITE`."""
    return workspace / "reports" / f"{site}.html"


def night_report(workspace: Path, site: str, at: str) -> Path:
    """Write a site's report as `callout report SITE` does; ``at`` is the UTC ISO time it bears."""
    path = report_path(workspace, site)
    place = Workspace(workspace)
    with place.open(site) as store:
        write_report(place, store, path, at, today=at[:10])
    return path
