"""Captures put together from their pieces, in whatever order and number these come."""

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from drivers.link.capture import AT_ONCE, Captures
from drivers.link.frames import Burst

TOTAL = 250


def pieces(capture: int = 3, tick: int = 5, base: int = 0, total: int = TOTAL) -> list[Burst]:
    return [
        Burst(capture, 9, 20_000, tick, total, k, False, tuple(range(base + k, base + min(k + 100, total))))
        for k in range(0, total, 100)
    ]


@given(st.permutations(range(3)), st.lists(st.integers(0, 2), max_size=4))
def test_the_order_of_pieces_and_repeats_do_not_matter(order: list[int], again: list[int]) -> None:
    captures, all_of_it = Captures(), pieces()
    found = [captures.take(all_of_it[k]) for k in order + again]
    (whole,) = [c for c in found if c is not None]
    assert found.index(whole) == 2
    assert whole.counts == list(range(TOTAL))
    assert (whole.role, whole.rate_hz, whole.tick, whole.overrange) == (9, 20_000, 5, False)


def test_until_the_last_piece_there_is_nothing() -> None:
    captures = Captures()
    assert captures.missing(3, TOTAL) == TOTAL
    assert [captures.take(piece) for piece in pieces()[:2]] == [None, None]
    assert captures.missing(3, TOTAL) == 50
    assert captures.result(3) is None


def test_overrange_in_one_piece_is_that_of_the_capture() -> None:
    captures, (first, second, third) = Captures(), pieces()
    captures.take(first)
    captures.take(replace(second, overrange=True))
    whole = captures.take(third)
    assert whole is not None
    assert whole.overrange


def test_a_number_used_again_is_another_capture() -> None:
    captures = Captures()
    for piece in [*pieces()[:2], *pieces(tick=77, base=1000)]:
        whole = captures.take(piece)
    assert whole is not None
    assert (whole.tick, whole.counts) == (77, list(range(1000, 1000 + TOTAL)))


def test_who_asks_anew_gets_no_old_answer() -> None:
    captures = Captures()
    for piece in pieces():
        captures.take(piece)
    assert captures.result(3) is not None
    captures.forget(3)
    assert captures.result(3) is None
    assert captures.take(pieces()[0]) is None  # a late repeat of what was whole already
    assert captures.missing(3, TOTAL) == TOTAL


def test_a_restart_forgets_what_was_under_way() -> None:
    captures = Captures()
    for piece in pieces()[:2]:
        captures.take(piece)
    captures.drop_all()
    assert captures.take(pieces()[2]) is None


def test_a_piece_beyond_its_own_end_is_cut_there() -> None:
    captures = Captures()
    long = Burst(3, 9, 20_000, 5, 50, 0, False, tuple(range(100)))
    whole = captures.take(long)
    assert whole is not None
    assert whole.counts == list(range(50))


def test_a_capture_of_nothing_is_none() -> None:
    assert Captures().take(Burst(3, 9, 20_000, 5, 0, 0, False, ())) is None


def test_a_hostile_line_cannot_fill_the_memory() -> None:
    captures = Captures()
    for number in range(200):
        captures.take(Burst(number, 9, 20_000, 5, 60_000, 0, False, (1,)))
        captures.take(Burst(number, 9, 20_000, 5, 1, 0, False, (1,)))
    assert sum(captures.missing(n, 60_000) < 60_000 for n in range(200)) == AT_ONCE
    assert sum(captures.result(n) is not None for n in range(200)) == AT_ONCE
