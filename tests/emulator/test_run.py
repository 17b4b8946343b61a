"""A whole run with another firmware on the bench comes to what ours comes to."""

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest

from tests import firmware_builds

CONFIG = firmware_builds.ROOT / "config"
FIRMWARES: dict[str, Callable[[], list[str]]] = {"host": firmware_builds.host, "avr": firmware_builds.avr}
AWAY = {"host": 0.25, "avr": 0.5}
"""How far a reading may lie from that with our firmware, as a share of its U. The host has the same converter, but its
blocks hold other scans, so windows begin elsewhere. The microcontroller's converter has 10 bits instead of 12."""


def run(data: Path, firmware: list[str] | None = None) -> dict[str, Any]:
    """The result of a run of the good pump with the person who goes by the clock."""
    device = "sim://scripted/good-pump?script=1"
    if firmware:
        device += f"&firmware={quote(' '.join(firmware))}"
    words = ("run", "MH-2101", "--config", CONFIG, "--device", device, "--data", data, "--serial", "V4-00317", "--json")
    done = subprocess.run((sys.executable, "-m", "daq.cli", *words), capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"exit code {done.returncode}\n{done.stderr}{done.stdout}"
    found: dict[str, Any] = json.loads(done.stdout)
    return found


@pytest.fixture(scope="module")
def ours(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    return run(tmp_path_factory.mktemp("ours"))


@pytest.mark.parametrize("firmware", FIRMWARES)
def test_a_run_by_the_clock(firmware: str, ours: dict[str, Any], tmp_path: Path) -> None:
    theirs = run(tmp_path, FIRMWARES[firmware]())
    assert (theirs["verdict"], theirs["sim"]) == (ours["verdict"], 1)
    assert theirs["quality"]["scans_received"] == theirs["quality"]["scans_expected"] > 20_000
    found = {reading["name"]: reading for reading in theirs["readings"]}
    assert len(found) == len(ours["readings"]) > 10
    for mine in ours["readings"]:
        assert found[mine["name"]]["value"] == pytest.approx(mine["value"], abs=AWAY[firmware] * mine["U"]), mine[
            "name"
        ]
