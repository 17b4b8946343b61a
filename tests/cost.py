"""The cost of a call beside that of plain Python, measured in one run, so that it holds on a busy machine too."""

import timeit
from collections.abc import Callable

TURNS = 1000
REPEATS = 7


def cost(work: Callable[[], object]) -> float:
    """The least time of `work` over the least time of a loop of a thousand additions, both measured in turn."""
    pairs = [(timeit.timeit(work, number=1), timeit.timeit(_plain, number=1)) for _ in range(REPEATS)]
    return min(mine for mine, _ in pairs) / min(plain for _, plain in pairs)


def _plain() -> float:
    total = 0.0
    for k in range(TURNS):
        total += k * 0.5
    return total
