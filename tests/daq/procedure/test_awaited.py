"""The capture that a stage waits for: asked, taken, given up."""

from daq.procedure.awaited import WAIT_S, Awaited


def test_at_first_nothing_is_waited_for() -> None:
    made = Awaited()
    assert (made.stage, made.holds, made.unfit) == (None, False, "")
    assert made.taken(5.0) is None
    assert made.given_up(1e6) is None


def test_what_was_asked_for_is_taken_once() -> None:
    made = Awaited()
    made.ask("free_flow", 10.0, holds=True)
    assert (made.stage, made.holds) == ("free_flow", True)
    assert made.taken(9.999) is None  # began before it was asked for
    assert made.taken(10.0) == "free_flow"
    assert made.taken(11.0) is None
    assert made.given_up(1e6) is None


def test_a_stage_waits_so_long_and_no_longer() -> None:
    made = Awaited()
    made.ask("free_flow", 10.0, holds=False)
    assert made.holds is False
    assert made.given_up(10.0 + WAIT_S - 1e-6) is None
    assert made.given_up(10.0 + WAIT_S) == "free_flow"
    assert (made.stage, made.given_up(99.0)) == (None, None)


def test_to_ask_again_forgets_what_was_unfit() -> None:
    made = Awaited()
    made.ask("free_flow", 10.0, holds=True)
    made.unfit = "supply low"
    made.ask("shutoff", 20.0, holds=False)
    assert (made.stage, made.holds, made.unfit) == ("shutoff", False, "")
    assert made.taken(15.0) is None
    assert made.taken(20.0) == "shutoff"
