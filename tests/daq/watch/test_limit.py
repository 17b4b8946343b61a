"""How often the same may be said."""

from hypothesis import given
from hypothesis import strategies as st

from daq.watch.limit import Limit


class Clock:
    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now


def test_what_is_said_too_often_is_counted_and_told_once() -> None:
    clock = Clock()
    limit: Limit[str] = Limit(clock, most=3, seconds=10.0)
    assert [limit.take("link") for _ in range(5)] == [True, True, True, False, False]
    assert limit.take("alarm"), "another kind is none of its business"
    clock.now += 9.9
    assert limit.over() == []
    clock.now += 0.2
    assert limit.over() == [("link", 2)]
    assert limit.over() == []
    assert limit.take("link")


@given(st.lists(st.tuples(st.sampled_from("abc"), st.floats(0, 5))))
def test_nothing_is_lost_without_being_counted(steps: list[tuple[str, float]]) -> None:
    clock = Clock()
    limit: Limit[str] = Limit(clock, most=2, seconds=7.0)
    told = dict.fromkeys("abc", 0)
    for kind, wait in steps:
        clock.now += wait
        for ended, number in limit.over():
            told[ended] += number
        told[kind] += limit.take(kind)
    clock.now += 8.0
    for ended, number in limit.over():
        told[ended] += number
    assert told == {kind: sum(1 for k, _ in steps if k == kind) for kind in "abc"}
