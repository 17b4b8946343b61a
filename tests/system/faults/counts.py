"""What was produced against what arrived: from the producer's list and the subscriber's log, and nothing else."""

import json
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Arrival:
    """One delivery, with the wall time at which it came, s."""

    time: float
    run: str
    seq: int
    digest: str


@dataclass(frozen=True, slots=True)
class Counts:
    """`doubled` is what a consumer that upserts by id has too many, or cannot know which of two is true."""

    produced: int
    received: int
    again: int
    lost: int
    doubled: int
    wrong_order: int

    @property
    def good(self) -> bool:
        return self.produced > 0 and not (self.lost or self.doubled or self.wrong_order)


def arrivals(log: Path) -> list[Arrival]:
    """The subscriber's log; a last line that is still being written is left out."""
    if not log.exists():
        return []
    whole = log.read_text(encoding="utf-8").rpartition("\n")[0]
    return [Arrival(*json.loads(line)) for line in whole.splitlines()]


def produced(listed: Path) -> list[str]:
    """The runs of the producer's list, in the order begun."""
    return listed.read_text(encoding="utf-8").split() if listed.exists() else []


def count(runs: list[str], came: list[Arrival]) -> Counts:
    """Lost are the runs begun that never came, and the numbers missing between seq 1 and the highest that came."""
    first: dict[str, Arrival] = {}
    for arrival in came:
        first.setdefault(arrival.run, arrival)
    seqs = [arrival.seq for arrival in first.values()]
    gaps = max(seqs, default=0) - len(set(seqs))
    missing = len(set(runs) - set(first))
    changed = sum(a.digest != first[a.run].digest or a.seq != first[a.run].seq for a in came)
    return Counts(
        produced=len(set(runs) | set(first)),
        received=len(first),
        again=len(came) - len(first),
        lost=max(missing, gaps),
        doubled=changed + len(seqs) - len(set(seqs)),
        wrong_order=sum(b <= a for a, b in pairwise(seqs)),
    )
