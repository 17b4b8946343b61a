"""The short form of the campaign of faults; the long one is `python -m tests.system.faults --full`."""

import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from tests.system.faults.__main__ import rows

ROOT = Path(__file__).parents[2]


def campaign(*words: str) -> tuple[int, list[list[str]]]:
    """Its exit code and the cells of its rows."""
    command = [sys.executable, "-m", "tests.system.faults", *words]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=900, check=False)
    lines = done.stdout.splitlines()[2:]
    return done.returncode, [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]


def test_no_fault_loses_doubles_or_disorders_a_result() -> None:
    names = [name for name in rows(full=False) if name != "disk_full"]
    with ThreadPoolExecutor() as two:  # rows wait for most of their time, and none knows of another
        ends = list(two.map(lambda part: campaign(*part), (names[::2], names[1::2])))
    told = [row for _, of_one in ends for row in of_one]
    assert [code for code, _ in ends] == [0, 0], told
    assert len(told) == len(names)
    assert {tuple(row[5:8]) for row in told} == {("0", "0", "0")}


def test_a_full_disk_loses_nothing() -> None:
    code, [row] = campaign("disk_full")
    if "needs root" in row[1]:
        pytest.skip(row[1])
    assert code == 0, row
    assert row[5:8] == ["0", "0", "0"]


def test_the_campaign_finds_an_outbox_that_forgets() -> None:
    code, [row] = campaign("--broken-outbox", "before_publish")
    assert code == 1
    assert int(row[5]) > 0
