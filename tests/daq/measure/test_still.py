"""How long counts stand still, whatever they are cut into."""

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.measure.convert import Column, Converter
from daq.measure.still import Standstill
from tests.daq.measure.blocks import CHANNELS, RESTING, Line, clipped, counts_of, identity, steady_blocks


def fed(counts: Sequence[int], sizes: Sequence[int]) -> list[int]:
    """What is said after each piece; the last piece takes the rest."""
    looked, said, at = Standstill({0: 0}, 1), [], 0
    for size in (*sizes, len(counts)):
        piece = np.array(counts[at : at + size], dtype=np.int16).reshape(-1, 1)
        at += size
        if len(piece):
            said.append(looked.feed(piece)[0])
    return said


def test_counts_that_repeat_add_up_until_one_is_another() -> None:
    assert fed([5] * 30 + [6] + [5] * 29, [10] * 6) == [0, 10, 20, 0, 10, 20]


def test_one_that_differs_in_the_middle_of_a_block_is_seen() -> None:
    assert fed([5] * 15 + [4] + [5] * 14, [10, 10, 10]) == [0, 0, 10]


def test_blocks_of_one_sample() -> None:
    assert fed([5, 5, 5, 6, 6], [1] * 5) == [0, 1, 2, 0, 1]


@given(st.lists(st.integers(0, 1), min_size=1, max_size=60), st.lists(st.integers(1, 9), max_size=20))
def test_never_more_than_there_was_and_at_most_a_block_less(counts: list[int], sizes: list[int]) -> None:
    steps = np.flatnonzero(np.diff(counts))
    true = len(counts) - 1 - (int(steps[-1]) + 1 if steps.size else 0)
    longest = max(*sizes, len(counts) - sum(sizes), 1) if sizes else len(counts)
    assert true - longest < fed(counts, sizes)[-1] <= true


def test_what_is_not_looked_at_is_never_still() -> None:
    converter = Converter(CHANNELS, identity())
    for block in steady_blocks(RESTING, 100):
        still = converter.convert(block).still
    assert still == (75, 75, 75, 0, 0)
    assert len(still) == len(Column)


def test_a_device_that_speaks_si_is_never_still() -> None:
    """What it repeats was rounded by somebody else, who may read more slowly than he speaks."""
    converter, line = Converter(CHANNELS, identity()), Line()
    counts = clipped(counts_of({r: np.full(100, v) for r, v in RESTING.items()}))
    si = line.block(counts.astype(np.float64))  # type: ignore[arg-type]  # as such a driver gives them
    assert converter.convert(si).still == pytest.approx((0,) * 5)
