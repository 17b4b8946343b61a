"""Rows in which the daemon is killed."""

import random
import time
from functools import partial

from tests.postgres import Postgres
from tests.system.faults.bench import Bench, Row, bench, wait_for
from tests.system.faults.points import POINTS, SPOILED

MAX_NTH = 3
LIFE_S = (0.0, 0.6)
"""Of a daemon that is killed at random, from its first result on; every fifth is killed while it starts."""
LIFE_OF_WHOLE_S = (0.0, 3.0)


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


def at_random(kills: int) -> Row:
    """Kills at any time, also while the daemon starts and recovers."""
    with bench() as at:
        return _at_random(at, "killed: at random", kills)


def of_whole_runs(kills: int) -> Row:
    """Kills at random, of runs that else come to their verdict, with the trace's own process beside the daemon."""
    with bench() as at:
        at.whole = True
        return _at_random(at, "killed: at random, whole runs", kills, LIFE_OF_WHOLE_S)


def on_a_server(kills: int) -> Row:
    """Kills at random, with the records in a plant's database."""
    server = Postgres()
    try:
        server.start()
        with bench() as at:
            at.database = server.url(server.make())
            return _at_random(at, "killed: at random, PostgreSQL", kills)
    finally:
        server.remove()


def _at_random(at: Bench, name: str, kills: int, life: tuple[float, float] = LIFE_S) -> Row:
    """Every fifth is killed while it starts; after the others' start the first result that comes is waited for."""
    draw = random.Random(20)
    recovered, then = 0.0, 0.0
    for k in range(kills):
        at.start()
        if k % 5:
            if then:
                recovered = max(recovered, at.arrival_after(then))
            else:
                wait_for(lambda: len(at.listed) > 0, "a run")
        time.sleep(draw.uniform(*life))
        at.kill()
        then = time.time()
    at.start(5)
    recovered = max(recovered, at.arrival_after(then))
    return Row(name, kills, at.finish(), recovered)
