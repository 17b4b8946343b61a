"""The short form of the soak: one run on each of four stands in one daemon; and that its rule tells flat from not flat.

The whole day is `python -m tests.studies.soak`.
"""

from dataclasses import replace

import pytest

from tests.studies.soak import STANDS, Look, flat, row, soak

SHORTEST_H = 0.001
"""One run each, since a run that has begun is waited for; getting to know the device takes less."""


def looks(per_run: float = 0.0, *, files: int = 0, noise: float = 0.5) -> list[Look]:
    """A day of 4000 runs that fills its caches at first and then grows by so many MB a run, with the ups and downs of a
    process at work; and so many files more at the end."""
    day = [
        Look(k, 160 * k, 150.0 + min(k, 4) * 5.0 + 160 * k * per_run + noise * (-1) ** k, 30, 11, 80 + k % 3)
        for k in range(1, 25)
    ]
    return [*day, replace(day[-1], runs=day[-1].runs + 1, files=30 + files)]


def test_each_stand_tests_its_unit_and_every_result_arrives_once_and_in_order() -> None:
    made, counts = soak(SHORTEST_H)
    assert made.troubles == []
    assert sorted(counts) == [f"marrow-hill/bench-{k + 1}" for k in range(len(STANDS))]
    assert all(c.good and c.produced == c.received == 1 for c in counts.values()), counts
    assert made.words == {"pass": 3, "fail": 1}
    first, last = made.looks[0], made.looks[-1]
    assert (first.runs, last.runs) == (0, len(STANDS))
    assert min(last.memory, last.files, last.threads, last.tasks) > 0
    assert [len(row(look)) for look in made.looks] == [6] * len(made.looks)


@pytest.mark.parametrize(
    ("per_run", "files", "good"),
    [(0.0, 0, True), (0.001, 0, True), (0.004, 0, False), (0.0, 1, False), (-0.004, 0, True)],
)
def test_what_counts_as_flat(per_run: float, files: int, good: bool) -> None:
    """3 MB per 1000 runs are 5 % of 170 MB over the 3000 runs that count; one file that stays open is too much."""
    is_flat, words = flat(looks(per_run, files=files))
    assert is_flat is good
    assert words.endswith("files" if files else "nothing")
    assert float(words.split()[0]) == pytest.approx(1000 * per_run, abs=0.3)
