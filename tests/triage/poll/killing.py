"""Kill a poller at random moments and see what is left. Run as a program it is the victim.

    python killing.py WORKSPACE PORT FIRST_TS

polls without pause, each poll a second later on its own clock, and prints the
stamp of every poll once it is stored.
"""

from __future__ import annotations

import asyncio
import random
import sqlite3
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from time import monotonic

from poll_site import NOON, Hand, poll_file, simulated, site_toml

from triage.poller import Poller
from triage.workspace import Workspace

UNITS, INPUTS = 6, 12


@dataclass(frozen=True)
class Loss:
    """What the kills did, over all of them."""

    kills: int
    polls: int
    lost_at_most: int
    half_polls: int
    integrity: str


async def _victim(workspace: Path, port: int, first_ts: int) -> None:
    hand = Hand(first_ts)
    config = poll_file({"gw": port}, units=f"1-{UNITS}")
    async with Poller(Workspace(workspace), config, clock=hand) as poller:
        while True:
            await poller.poll_once()
            print(int(hand.at), flush=True)
            hand.at += 1


async def kill_often(folder: Path, kills: int, seed: int = 1, longest_s: float = 1.0) -> Loss:
    """Start a poller, kill -9 it at a random moment, look at the file; again and again."""
    workspace = Workspace(folder)
    toml = site_toml(units=UNITS)
    workspace.add_site(toml).close()
    chance = random.Random(seed)
    next_ts, lost, done = NOON, 0, 0
    async with simulated(toml) as served:
        port = await served.start_tcp()
        while done < kills:
            victim = await asyncio.create_subprocess_exec(
                sys.executable,
                __file__,
                str(folder),
                str(port),
                str(next_ts),
                stdout=subprocess.PIPE,
                cwd=Path(__file__).parents[3],
            )
            assert victim.stdout is not None
            told = [int(await asyncio.wait_for(victim.stdout.readline(), 120))]
            until = monotonic() + chance.uniform(0, longest_s)
            while (left := until - monotonic()) > 0:
                try:
                    told.append(int(await asyncio.wait_for(victim.stdout.readline(), left)))
                except TimeoutError:
                    break
            victim.kill()
            rest = await victim.stdout.read()
            await victim.wait()
            done += 1
            told += [int(line) for line in rest.split()]
            lost = max(lost, _missing(workspace.path_of("shed"), told))
            next_ts = told[-1] + 10
    with sqlite3.connect(workspace.path_of("shed")) as db:
        integrity = db.execute("PRAGMA integrity_check").fetchone()[0]
        sizes = [n for (n,) in db.execute("SELECT count(*) FROM input_sample GROUP BY ts")]
    db.close()
    return Loss(kills, len(sizes), lost, sum(n != INPUTS for n in sizes), integrity)


def _missing(path: Path, told: list[int]) -> int:
    """Polls that were told as stored and are not there."""
    with sqlite3.connect(path) as db:
        there = {ts for (ts,) in db.execute("SELECT DISTINCT ts FROM input_sample WHERE ts >= ?", (told[0],))}
    db.close()
    return len(set(told) - there)


if __name__ == "__main__":
    asyncio.run(_victim(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])))
