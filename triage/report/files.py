"""Writing a report to a file: whole or not at all."""

from __future__ import annotations

import os
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from collectors.errors import StoreError
from collectors.store import Store
from triage.report.build import report_html
from triage.review import CHART_DAYS, Review, review_store, store_view
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
    write_text(path, html)
    return Report(path, review)


def write_text(path: Path, text: str) -> None:
    """Write beside the file, then move over it, so that no half file is ever seen."""
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        part.write_text(text, encoding="utf-8")
        part.replace(path)
    except OSError as exc:
        with suppress(OSError):
            part.unlink()
        raise StoreError(f"{path}: cannot be written: {exc.strerror}", "Choose another place with --output.") from exc
