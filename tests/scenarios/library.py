"""The scenario library: families of simulated sites, over train seeds and sealed seeds.

Rules may be tuned while looking at train seeds (0 to 16799). Sealed seeds (from
1600000) are for measuring only: nobody looks at a sealed site to change a rule.
Seeds from 100000, 200000, and so on to 1500000 were sealed once: rules were changed after their
aggregates were seen.
"""

from __future__ import annotations

import hashlib
import importlib.util
import pickle
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Literal, TypeVar

import grimp
import numpy as np

from collectors.site import parse_site
from rules.daytable import DayTable
from rules.learn import Completed
from sample_logs import sim
from sample_logs.sim import FAULTS, LOOKALIKES, SimSite, make_site
from triage.check import reduce_files
from triage.importing import Loaded

T = TypeVar("T")
Seeds = Literal["train", "sealed"]
SEALED_FROM = 1_600_000
TRAIN_UNTIL = 16_800

#: Each family's place in the round: every fault, every look-alike, and mixtures more often.
FAMILIES: tuple[str, ...] = tuple(
    name
    for pair in zip(
        FAULTS,
        (*LOOKALIKES, "mixed", "mixed", "mixed", "mixed-many", "confusable", "confusable", "healthy"),
        strict=True,
    )
    for name in pair
)


@dataclass(frozen=True)
class Scenario:
    """One site to make: the family and the seed say it all."""

    family: str
    seed: int


def scenarios(seeds: Seeds, sites: int, family: str | None = None) -> list[Scenario]:
    """``sites`` scenarios, going round the families (or one family only).

    Raises
    ------
    ValueError : more train sites asked for than there are train seeds, or an unknown family.
    """
    if family is not None and family not in FAMILIES:
        raise ValueError(f"no such family: {family}; there are {', '.join(sorted(set(FAMILIES)))}")
    if seeds == "train" and sites > TRAIN_UNTIL:
        raise ValueError(f"there are {TRAIN_UNTIL} train seeds: {sites} asked for")
    first = 0 if seeds == "train" else SEALED_FROM
    return [Scenario(family or FAMILIES[k % len(FAMILIES)], first + k) for k in range(sites)]


def _fingerprint(*folders: Path) -> str:
    """Changes when the source in the folders does, so what is cached is never an old one."""
    digest = hashlib.sha256()
    for path in sorted(p for folder in folders for p in ([folder] if folder.is_file() else folder.rglob("*.py"))):
        digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def _kept(path: Path, make: Callable[[], T]) -> T:
    """What ``make`` gives, from the file if it was made before."""
    if path.exists():
        kept: T = pickle.loads(path.read_bytes())
        return kept
    made = make()
    path.parent.mkdir(parents=True, exist_ok=True)
    part = path.with_suffix(f".{np.random.default_rng().integers(1 << 40)}")
    part.write_bytes(pickle.dumps(made, protocol=5))
    part.replace(path)
    return made


_CACHE = Path(tempfile.gettempdir()) / "callout-scenarios"


@lru_cache(maxsize=1)
def _sites() -> Path:
    return _CACHE / _fingerprint(Path(sim.__file__).parent)


@lru_cache(maxsize=1)
def _tables() -> Path:
    """Folder of the day tables: another one when the simulator changes, or any code that makes features of samples."""
    graph = grimp.build_graph("rules", "collectors", cache_dir=None)
    makers = {"rules.reduce", "rules.learn"}
    makers |= set().union(*(graph.find_upstream_modules(name) for name in makers))
    files = [Path(found.origin) for found in map(importlib.util.find_spec, sorted(makers)) if found and found.origin]
    return _CACHE / _fingerprint(Path(sim.__file__).parent, *files)


def site_of(scenario: Scenario, cache: bool = True) -> SimSite:
    """The simulated site, from the temporary folder if it was made before.

    The cached one goes without the power arrays at the simulator's own step.
    """
    if not cache:
        return make_site(scenario.seed, scenario.family)
    nothing = np.zeros((0, 0))

    def make() -> SimSite:
        whole = make_site(scenario.seed, scenario.family)
        return replace(whole, ts=np.zeros(0, np.int64), healthy_power_w=nothing, true_power_w=nothing)

    return _kept(_sites() / f"{scenario.family}-{scenario.seed}.pickle", make)


def table_of(scenario: Scenario, site: SimSite) -> tuple[Completed, DayTable]:
    """The site description without gaps and the day table of the whole record, as ``check`` makes them.

    Kept like the sites, until the simulator or what makes the features changes:
    whoever works on a rule waits for the rule alone.
    """

    def make() -> tuple[Completed, DayTable]:
        done, table = reduce_files(parse_site(site.toml), Loaded(site.telemetry, site.weather, site.events))
        return done, table

    return _kept(_tables() / f"{scenario.family}-{scenario.seed}.table.pickle", make)
