"""Rows in which the daemon is killed."""

import random
import time
from functools import partial

from tests.system.faults.bench import Bench, Row, bench, wait_for
from tests.system.faults.points import POINTS, SPOILED

MAX_NTH = 3
LIFE_S = (0.02, 0.6)
"""Of a daemon that is killed at random, from its first run on; every fifth is killed while it starts."""


def at_point(name: str, kills: int, *, broken: bool = False) -> Row:
    """Kills at one named point, by turns at the first, second or third result of a daemon."""
    with bench(partial(SPOILED["outbox"], 1) if broken else None) as at:
        recovered = 0.0
        for k in range(kills):
            at.start(None, partial(POINTS[name], 1 + k % MAX_NTH))
            at.died()
            then = time.time()
            at.start(1)
            recovered = max(recovered, _recovered(at, then, broken))
            at.kill()
        return Row(f"killed: {name}", kills, at.finish(), recovered)


def _recovered(at: Bench, then: float, broken: bool) -> float:
    if broken:  # what a broken outbox has lost need not be waited for
        time.sleep(0.5)
        return 0.0
    return at.arrival_after(then)


def at_random(kills: int, seed: int = 20) -> Row:
    """Kills at any time, also while the daemon starts and recovers."""
    draw = random.Random(seed)
    with bench() as at:
        for k in range(kills):
            before = len(at.listed)
            at.start()
            if k % 5:
                wait_for(lambda before=before: len(at.listed) > before, "a run")  # type: ignore[misc]
            time.sleep(draw.uniform(*LIFE_S))
            at.kill()
        then = time.time()
        at.start(5)
        recovered = at.arrival_after(then)
        return Row("killed: at random", kills, at.finish(), recovered)
