"""Finding a site by what a caller says: id, name or customer reference."""

from __future__ import annotations

from dataclasses import dataclass

from collectors.errors import CalloutError, UsageError
from collectors.site import SiteFacts
from triage.workspace import Workspace


@dataclass(frozen=True)
class SiteHit:
    """A site that fits; ``rank`` 0 is an exact match."""

    facts: SiteFacts
    rank: int


def search_sites(workspace: Workspace, words: str, unreadable: list[CalloutError] | None = None) -> list[SiteHit]:
    """Sites whose id, name or customer reference hold every word, best first; case doesn't count.

    ``unreadable`` gains the error of each site whose file could not be opened.
    """
    asked = words.casefold().split()
    hits = []
    for site_id in workspace.site_ids():
        try:
            with workspace.open(site_id) as store:
                facts = store.site.site
        except CalloutError as exc:
            if unreadable is not None:  # a damaged file must not hide the others
                unreadable.append(exc)
            continue
        fields = [facts.id.casefold(), facts.name.casefold(), facts.customer_ref.casefold()]
        if words.casefold().strip() in fields:
            hits.append(SiteHit(facts, 0))
        elif asked and all(any(word in text for text in fields) for word in asked):
            hits.append(SiteHit(facts, 1))
    return sorted(hits, key=lambda hit: (hit.rank, hit.facts.id))


def find_site(workspace: Workspace, words: str) -> str:
    """Id of the one site that fits.

    Raises
    ------
    UsageError : none fits, or several do.
    CalloutError : none fits, and a site that might could not be opened.
    """
    known = workspace.site_ids()
    if words in known:
        return words
    unreadable: list[CalloutError] = []
    hits = search_sites(workspace, words, unreadable)
    exact = [hit for hit in hits if hit.rank == 0]
    if len(exact) == 1 or len(hits) == 1:
        return (exact or hits)[0].facts.id
    if not hits and unreadable:
        raise unreadable[0]
    if not hits:
        raise UsageError(
            f"no site fits '{words}'; workspace {workspace.path} has {', '.join(known) or 'none yet'}",
            "Give an id, or part of the name or customer reference.",
        )
    names = ", ".join(f"{hit.facts.id} ({hit.facts.name})" for hit in hits[:10])
    raise UsageError(f"several sites fit '{words}': {names}", "Give the id of one.")
