"""README.md in this folder says which row is checked where: it must be so, for each row and each test."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from daq.measure.distributions import normal_cdf
from tests.published.rows import HERE, entering, listed, rows_in, witnesses

LAST = {1: 19, 2: 26, 3: 25, 4: 21, 5: 41, 6: 20, 7: 25, 8: 21, 9: 21, 10: 13, 11: 35}


def named(file: Path) -> set[str]:
    """The rows that a file of tests has among its quoted ids."""
    quoted = re.findall(r'"(V\d+\.\d+[^"]*)"', file.read_text(encoding="utf-8"))
    return {row for text in quoted for row in rows_in(text)}


def test_every_row_is_listed_once() -> None:
    rows = [row for row, _, _ in listed()]
    assert sorted(rows) == sorted(f"V{chapter}.{k}" for chapter, last in LAST.items() for k in range(1, last + 1))


def test_every_row_is_checked_where_the_table_says() -> None:
    files = {file.name: named(file) for file in HERE.glob("test_*.py") if file.name != Path(__file__).name}
    for row, _, where in listed():
        told = set(re.findall(r"test_\w+\.py", where))
        assert told or where.startswith("nothing"), row
        found = {name for name, rows in files.items() if row in rows}
        assert told == found, row


@pytest.mark.parametrize(
    ("run", "enters"),
    [
        (lambda: normal_cdf(0.0), True),
        (lambda: pytest.approx(1.0) == 1.0, False),
        (lambda: rows_in("V1.1"), False),  # of the tests, not of the project
        (lambda: __import__("daq.measure.tables"), False),  # to import is not to call
    ],
    ids=["a function of the core", "a library", "a helper of the tests", "an import"],
)
def test_a_check_that_runs_no_code_of_the_project_is_noticed(run: Callable[[], object], enters: bool) -> None:
    with entering() as entered:
        run()
    assert bool(entered) is enters


def test_witness_checks_are_few_and_known() -> None:
    """A new one is a decision: figures of the project's own are checked through its functions."""
    assert {row.split(".")[0] for row in witnesses()} == {"V2", "V4", "V5", "V8"}
    assert len(witnesses()) == 22
