"""`steadyhead replay`: a recording judged again."""

import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from daq.cli.exits import Exit
from tests.daq.cli.conftest import Command
from tests.daq.cli.test_run import SCRIPTED, limit, lines


@pytest.fixture
def told(steadyhead: Command) -> dict[str, Any]:
    """A run's result."""
    made: dict[str, Any] = json.loads(steadyhead("run", "MH-2101", "--device", SCRIPTED, "--json").stdout)
    return made


@pytest.fixture
def recording(told: dict[str, Any], tmp_path: Path) -> Path:
    return tmp_path / "data" / str(told["recording"]["file"])


def test_the_same_recording_gives_the_same_result(steadyhead: Command, told: dict[str, Any], recording: Path) -> None:
    ended = steadyhead("replay", str(recording), "--json")
    assert ended.exit_code == Exit.PASS
    again = json.loads(ended.stdout)
    for name in ("readings", "findings", "verdict", "why", "run", "part", "serial", "conditions", "quality"):
        mine = {**told[name], "clock_error_s": None} if name == "quality" else told[name]
        assert again[name] == mine, name
    assert (again["sim"], again["seq"]) == (1, 0)
    assert again["started"] == told["started"]
    assert again["ended"] > again["started"]


def test_piped_it_is_lines_of_data(steadyhead: Command, recording: Path) -> None:
    ended = steadyhead("replay", str(recording))
    first, *rest = lines(ended.stdout)
    assert (ended.exit_code, first) == (Exit.PASS, ["pass"])
    assert any("free flow" in line for line in rest)
    assert ended.stderr == ""


def test_other_limits_judge_it_otherwise(steadyhead: Command, config: Path, recording: Path) -> None:
    """The text in force then is in the recording; another one counts only where it is named."""
    limit(config, "130 L/h")
    assert json.loads(steadyhead("replay", str(recording), "--json").stdout)["verdict"] == "pass"
    other = json.loads(steadyhead("replay", str(recording), "--config", str(config), "--json").stdout)
    assert (other["verdict"], other["why"]) == ("fail", "free flow")


@pytest.mark.parametrize("name", ["a b.rec", "50%.rec", "no #1.rec", "what?.rec"])
def test_any_file_name_will_do(steadyhead: Command, recording: Path, tmp_path: Path, name: str) -> None:
    shutil.copy(recording, tmp_path / name)
    assert steadyhead("replay", str(tmp_path / name)).exit_code == Exit.PASS


def test_a_recording_that_was_cut_short_is_void(steadyhead: Command, recording: Path, tmp_path: Path) -> None:
    whole = recording.read_bytes()
    cut = tmp_path / "cut.rec"
    cut.write_bytes(whole[: len(whole) // 2])
    again = json.loads(steadyhead("replay", str(cut), "--json").stdout)
    assert (again["verdict"], again["why"]) == ("void", "link down")
    assert "dry_check.current" in [r["name"] for r in again["readings"]]


def test_a_file_that_is_missing_or_no_recording(steadyhead: Command, config: Path, tmp_path: Path) -> None:
    missing = steadyhead("replay", str(tmp_path / "none.rec"))
    assert missing.exit_code == Exit.USAGE
    assert "none.rec" in missing.stderr
    strange = steadyhead("replay", str(config / "stand.toml"))
    assert (strange.exit_code, strange.stdout) == (Exit.USAGE, "")
    for word in ("stand.toml", "expected", "this is no recording"):
        assert word in strange.stderr
