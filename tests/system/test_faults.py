"""The short form of the campaign of faults; the long one is `python -m tests.system.faults --full`."""

import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.timeout(120)
ROOT = Path(__file__).parents[2]


def campaign(*words: str) -> tuple[int, list[list[str]]]:
    """Its exit code and the cells of its rows."""
    command = [sys.executable, "-m", "tests.system.faults", *words]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, timeout=110, check=False)
    lines = done.stdout.splitlines()[2:]
    return done.returncode, [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]


def test_no_kill_loses_or_doubles_a_result() -> None:
    code, rows = campaign()
    assert code == 0, rows
    assert len(rows) >= 5
    assert {tuple(row[5:8]) for row in rows} == {("0", "0", "0")}


def test_the_campaign_finds_an_outbox_that_forgets() -> None:
    code, [row] = campaign("--broken-outbox", "before_publish")
    assert code == 1
    assert int(row[5]) > 0
