"""Whole runs of every kind tell what they told before, to the last digit that another machine keeps."""

import pytest

from tests.daq.procedure.whole_runs import CASES, TEXTS, differences, text_of


@pytest.mark.parametrize("name", sorted(CASES))
def test_a_run_tells_what_it_told_before(name: str) -> None:
    kept = (TEXTS / f"{name}.txt").read_text("utf-8")
    assert differences(text_of(CASES[name]), kept) == []


def test_every_kept_text_has_its_run() -> None:
    assert {p.stem for p in TEXTS.glob("*.txt")} == CASES.keys()


@pytest.mark.parametrize(
    ("found", "kept", "same"),
    [
        ("read flow: 1.00000001e-05", "read flow: 1e-05", True),
        ("read flow: 1.001e-05", "read flow: 1e-05", False),
        ("verdict pass:", "verdict fail:", False),
        ("one\ntwo", "one", False),
        ("k inf", "k 2.0", False),
    ],
)
def test_only_rounding_may_differ(found: str, kept: str, same: bool) -> None:
    assert (differences(found, kept) == []) is same
