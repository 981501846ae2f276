"""The scenario library: families of simulated sites, over train seeds and sealed seeds.

Rules may be tuned while looking at train seeds (0 to 999). Sealed seeds (from
100000) are for measuring only: nobody looks at a sealed site to change a rule.
"""

from __future__ import annotations

import hashlib
import pickle
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np

from sample_logs import sim
from sample_logs.sim import FAULTS, LOOKALIKES, SimSite, make_site

Seeds = Literal["train", "sealed"]
SEALED_FROM = 100_000
TRAIN_UNTIL = 1_000

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


def _fingerprint() -> str:
    """Changes when the simulator's source does, so a cached site is never an old one."""
    digest = hashlib.sha256()
    for path in sorted(Path(sim.__file__).parent.rglob("*.py")):
        digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def site_of(scenario: Scenario, cache: bool = True) -> SimSite:
    """The simulated site, from the temporary folder if it was made before.

    The cached one goes without the power arrays at the simulator's own step.
    """
    if not cache:
        return make_site(scenario.seed, scenario.family)
    folder = Path(tempfile.gettempdir()) / "callout-scenarios" / _fingerprint()
    path = folder / f"{scenario.family}-{scenario.seed}.pickle"
    if path.exists():
        kept: SimSite = pickle.loads(path.read_bytes())
        return kept
    nothing = np.zeros((0, 0))
    site = replace(
        make_site(scenario.seed, scenario.family),
        ts=np.zeros(0, np.int64),
        healthy_power_w=nothing,
        true_power_w=nothing,
    )
    folder.mkdir(parents=True, exist_ok=True)
    part = path.with_suffix(f".{np.random.default_rng().integers(1 << 40)}")
    part.write_bytes(pickle.dumps(site, protocol=5))
    part.replace(path)
    return site
