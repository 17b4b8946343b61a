"""How channels scattered in earlier runs: from the record into a run, and into its recording, as plain data.

A run is judged by what was known when it began. So that is kept in its recording, from which a replay takes it, and
with its result.
"""

import math
from collections.abc import Mapping
from typing import Any

from daq.measure.pooling import history_of
from daq.measure.scatter import LEVELS, Differences, Known
from daq.record.async_store import AsyncStore
from daq.record.store import Store
from daq.record.values import Alike

Plain = dict[str, Any]
MOST_RUNS = 20
"""Older runs than the newest so many say less of the stand as it is."""


async def known_before(store: AsyncStore, alike: Alike) -> dict[str, Known]:
    """What the newest finished runs of one part on a stand tell, where part and configuration were those of now.

    Raises:
        RecordError: the record cannot be asked.
    """
    stored = await store.ask(Store.scatters, alike, MOST_RUNS)
    return history_of([scatter_from(one) for one in stored])


def plain_scatter(scatter: Mapping[str, Differences]) -> Plain:
    """What a run showed, by kind of stage and channel: squares in SI and counts, by level."""
    return {name: {"squares": list(d.squares), "counts": list(d.counts)} for name, d in scatter.items()}


def plain_history(history: Mapping[str, Known]) -> Plain:
    """The same of earlier runs together, with the degrees of freedom and the number of runs."""
    seen = plain_scatter({name: known.differences for name, known in history.items()})
    return {name: {**seen[name], "dof": known.dof, "runs": known.runs} for name, known in history.items()}


def scatter_from(plain: Any) -> dict[str, Differences]:
    """What `plain_scatter` wrote.

    Raises:
        ValueError, TypeError, KeyError: it did not write that.
    """
    return {str(name): _differences(one) for name, one in dict(plain).items()}


def history_from(plain: Any) -> dict[str, Known]:
    """What `plain_history` wrote.

    Raises:
        ValueError, TypeError, KeyError: it did not write that.
    """
    found = {}
    for name, one in dict(plain).items():
        dof = float(one["dof"])
        if not 1.0 <= dof < math.inf:
            raise ValueError(f"history of {name}: expected finite degrees of freedom from 1 on, found {dof}")
        found[str(name)] = Known(_differences(one), dof, int(one["runs"]))
    return found


def _differences(one: Any) -> Differences:
    squares, counts = tuple(float(x) for x in one["squares"]), tuple(int(n) for n in one["counts"])
    sound = len(squares) == len(counts) <= LEVELS and all(0.0 <= x < math.inf for x in squares)
    if not sound or any(n < 0 for n in counts) or sum(counts) == 0:
        raise ValueError(f"scatter: expected as many squares as counts, none negative, found {squares} and {counts}")
    return Differences(squares, counts)
