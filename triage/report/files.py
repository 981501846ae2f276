"""From a site's store to its report in a file."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from collectors.store import Store
from triage.report.build import report_html
from triage.review import CHART_DAYS, Review, review_store, store_view
from triage.textfile import write_text
from triage.workspace import Workspace


@dataclass(frozen=True)
class Report:
    """A report that was written, and what it says."""

    path: Path
    review: Review


def write_report(
    place: Workspace, store: Store, path: Path, at: str, *, days: int = CHART_DAYS, today: str | None = None
) -> Report:
    """Check a site's store, record the findings and write its report.

    Parameters
    ----------
    place : the workspace the site is in.
    store : the site.
    path : HTML file; its folder is made.
    at : UTC ISO time of doing so.
    days : solar days the charts reach back.
    today : ISO date to hold the age of the data against; None leaves age out.

    Raises
    ------
    StoreError : the file cannot be written; one that was there stays.
    """
    review = review_store(place, store, at)
    view = store_view(store, days, review.result.irradiance_source)
    made_at = int(datetime.fromisoformat(at).timestamp())
    html = report_html(review.site, view, review.result, review.entries, made_at=made_at, today=today)
    write_text(path, html, "Choose another place with --output.")
    return Report(path, review)
