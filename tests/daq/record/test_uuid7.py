"""RFC 9562: the test vector of its appendix A.6 (from memory), and the order that version 7 promises."""

import time
from itertools import pairwise
from uuid import RFC_4122

import pytest

from daq.record.uuid7 import Source, from_parts, uuid7


def test_the_vector_of_rfc_9562_a6() -> None:
    made = from_parts(0x017F22E279B0, 0xCC3, 0x18C4DC0C0C07398F)
    assert str(made) == "017f22e2-79b0-7cc3-98c4-dc0c0c07398f"


def test_a_new_one_carries_the_clock_version_and_variant() -> None:
    before = time.time_ns() // 1_000_000
    made = uuid7()
    after = time.time_ns() // 1_000_000 + 1  # other tests may have used up a millisecond
    assert before <= made.int >> 80 <= after
    assert made.version == 7
    assert made.variant == "specified in RFC 4122"  # the library's name for the variant that RFC 9562 keeps


def test_later_ones_sort_behind() -> None:
    earlier = from_parts(1_000, 0xFFF, (1 << 62) - 1)
    later = from_parts(1_001, 0, 0)
    assert str(earlier) < str(later)


def test_two_of_one_millisecond_differ() -> None:
    assert len({uuid7() for _ in range(1000)}) == 1000


@pytest.mark.parametrize(
    ("parts", "name"),
    [((1 << 48, 0, 0), "unix_ms"), ((0, 1 << 12, 0), "rand_a"), ((0, 0, 1 << 62), "rand_b"), ((-1, 0, 0), "unix_ms")],
)
def test_a_part_too_large_is_named(parts: tuple[int, int, int], name: str) -> None:
    with pytest.raises(ValueError, match=name):
        from_parts(*parts)


def test_ids_rise_whatever_the_clock_does() -> None:
    """RFC 9562, section 6.2: a clock that stands or is set back must not give ids that sort before older ones."""
    times = iter([*[5_000_000_000_000_000] * 5000, 4_000_000_000_000_000, 4_999_999_000_000_000, 6_000_000_000_000_000])
    source = Source(lambda: next(times))
    made = [source.next() for _ in range(5003)]
    assert all(a < b for a, b in pairwise(made))
    assert len({uuid.int & (1 << 62) - 1 for uuid in made}) == len(made)  # as random as ever
    assert {(uuid.version, uuid.variant) for uuid in made} == {(7, RFC_4122)}
    assert made[-1].int >> 80 == 6_000_000_000
    assert made[-2].int >> 80 in {5_000_000_000, 5_000_000_001}  # 5000 do not fit one millisecond
