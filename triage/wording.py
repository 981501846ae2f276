"""Faults in the words of the person who answers the phone, read from ``wording.toml``.

Rules say *why* they think so; this says what it means on the roof, what to ask
the caller, what to try from the desk first, what to take along and what to
measure. Commands, report, service and visit sheet all read it from here.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from functools import cache
from importlib.resources import files
from typing import Final, Literal

from pydantic import BaseModel, ConfigDict

from rules.finding import Finding

#: Where hands are needed, which decides the cautions that go with it.
Work = Literal["roof", "board", "desk", "none"]

ACTION_WORDS: Final[dict[str, str]] = {
    "visit": "Go",
    "remote": "Try from the desk first",
    "watch": "Watch",
    "none": "Nothing to do",
}
#: The same for narrow columns.
ACTION_SHORT: Final[dict[str, str]] = {"visit": "go", "remote": "desk", "watch": "watch", "none": "none"}
SEVERITY_WORDS: Final[dict[str, str]] = {
    "high": "high",
    "medium": "medium",
    "low": "low",
    "info": "for information",
}
_LIGHT: Final[dict[str, str]] = {
    "poa sensor": "a light sensor in the plane of the modules (POA)",
    "ghi sensor": "a horizontal light sensor (GHI)",
    "own inputs": "the inputs themselves against a clear sky",
}


def light_words(source: str) -> str:
    """What told how bright it was, for people; ``source`` as a check names it."""
    return _LIGHT.get(source, source)


class Wording(BaseModel):
    """How one fault is told.

    Parameters
    ----------
    title : short name for people.
    means : what is going on on the roof.
    ask : questions for the caller.
    remote : steps from the desk or by the caller, in order, before anyone drives.
    parts, tools : what to take along if someone goes.
    measure : what to measure on site and which reading settles what, in order.
    work : where hands are needed.
    board : whether a step from the desk has somebody switch at the board, too.
    symbol : one character that marks it in charts and on the roof plan.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    title: str
    symbol: str
    work: Work
    means: str
    ask: tuple[str, ...] = ()
    remote: tuple[str, ...] = ()
    parts: tuple[str, ...] = ()
    tools: tuple[str, ...] = ()
    measure: tuple[str, ...] = ()
    board: bool = False

    @property
    def short(self) -> str:
        """The title up to its colon, for tight places and running text."""
        return self.title.split(":")[0]

    @property
    def running(self) -> str:
        """The same within a sentence."""
        return lowered(self.short)


class _Cautions(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    roof: tuple[str, ...]
    board: tuple[str, ...]
    always: tuple[str, ...]


class Unjudged(BaseModel):
    """Reasons for which a rule could not judge.

    Parameters
    ----------
    helps : what would help, by reason.
    passing : reasons that only mean that it was too dim, or that rows were too thin, for a while.
    partly : reasons that leave a part of what a rule looks for out of sight, and hold no finding open.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    helps: dict[str, str]
    passing: tuple[str, ...]
    partly: tuple[str, ...]


class _Words(BaseModel):
    cautions: _Cautions
    unjudged: Unjudged
    faults: dict[str, Wording]


@cache
def _words() -> _Words:
    return _Words.model_validate(tomllib.loads((files("triage") / "wording.toml").read_text("utf-8")))


def lowered(text: str) -> str:
    """A beginning as it stands within a sentence; what is written in capitals stays."""
    return text if text[1:2].isupper() else f"{text[:1].lower()}{text[1:]}"


def wording(fault: str) -> Wording:
    """Words of a slug; a slug nobody wrote words for shows itself."""
    known = _words().faults.get(fault)
    title = fault.replace("-", " ").capitalize()
    return known or Wording(title=title, symbol="?", work="desk", means="")


def unjudged_words() -> Unjudged:
    """What to say of judgements that could not be made."""
    return _words().unjudged


def cautions(findings: Iterable[Finding]) -> tuple[str, ...]:
    """Cautions for all the work the findings could lead to, each once; empty when none could."""
    # A remote step that fails ends in a visit, so its cautions are told with it.
    told = [wording(f.fault) for f in findings if f.action in ("visit", "remote")]
    kinds = {words.work for words in told} | ({"board"} if any(words.board for words in told) else set())
    words = _words().cautions
    lines = [*(words.roof if "roof" in kinds else ()), *(words.board if "board" in kinds else ())]
    return (*lines, *words.always) if lines else ()


def gather(findings: Iterable[Finding], key: Literal["ask", "remote", "parts", "tools"]) -> tuple[str, ...]:
    """One list over several findings, in their order, each line once."""
    return tuple(dict.fromkeys(line for f in findings for line in getattr(wording(f.fault), key)))
