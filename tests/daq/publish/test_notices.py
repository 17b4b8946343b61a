"""Troubles are told when they begin, change and end, and waiting grows up to its cap."""

from daq.publish.backoff import BackOff
from daq.publish.notices import Code, Notice, Notices


def test_a_trouble_that_stays_is_told_once() -> None:
    told: list[Notice] = []
    notices = Notices(told.append)
    notices.over(Code.BROKER, "fine")
    for text in ("gone", "gone", "refused", "refused"):
        notices.trouble(Code.BROKER, text)
    notices.over(Code.BROKER, "fine")
    notices.over(Code.BROKER, "fine")
    assert [(n.text, n.active) for n in told] == [("gone", True), ("refused", True), ("fine", False)]


def test_waits_double_up_to_the_cap_and_start_over() -> None:
    waits = BackOff(0.5, 3.0)
    assert [waits.wait() for _ in range(5)] == [0.5, 1.0, 2.0, 3.0, 3.0]
    waits.reset()
    assert waits.wait() == 0.5
