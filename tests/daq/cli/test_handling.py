"""What people try first: times, a file that is there, help, a trace for a recording, a service that is at work."""

import re
from datetime import datetime
from pathlib import Path

import pytest
import typer
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.cli.runs import moment
from daq.stand.hold import stopping
from tests.daq.cli.conftest import Command
from tests.daq.cli.test_run import SCRIPTED

COMMANDS = ("serve", "run", "simulate", "replay", "demo", "runs list", "runs show", "runs export", "study repeats")


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("2026", "2026-01-01"),
        ("2026-11", "2026-11-01"),
        ("2026-11-03", "2026-11-03"),
        ("2026-11-03 07:30", "2026-11-03T07:30"),
        ("2026-11-03T07:30:05", "2026-11-03T07:30:05"),
        ("2026-11-03T07:30:05Z", "2026-11-03T07:30:05+00:00"),
        ("2026-11-03T07:30:05+02:00", "2026-11-03T05:30:05+00:00"),
    ],
)
def test_a_time_is_local_unless_it_says_otherwise(text: str, meant: str) -> None:
    assert moment(text) == datetime.fromisoformat(meant).astimezone()
    assert moment(text).tzinfo is not None


@settings(deadline=None)
@given(st.text(max_size=20) | st.from_regex(r"[0-9]{1,4}(-[0-9]{1,2}){0,3}( [0-9:]{1,8})?", fullmatch=True))
def test_any_other_text_gets_an_example(text: str) -> None:
    told = ""
    try:
        assert moment(text).tzinfo is not None
    except typer.BadParameter as error:
        told = str(error)
    assert not told or "expected a time such as 2026-11, 2026-11-03 or '2026-11-03 07:30', local unless" in told


@pytest.mark.parametrize("command", COMMANDS)
def test_help_says_nothing_behind_a_flag(steadyhead: Command, command: str) -> None:
    told = steadyhead(*command.split(), "--help").stdout
    assert "--help" in told
    assert "<bool>" not in told


def test_a_file_that_is_there_is_replaced_only_by_force(steadyhead: Command, tmp_path: Path) -> None:
    steadyhead("run", "MH-2101", "--device", SCRIPTED)
    file = tmp_path / "runs.json"
    file.write_text("years of work")
    refused = steadyhead("runs", "export", "-o", str(file))
    assert refused.exit_code == 64
    assert "--force" in refused.stderr
    assert file.read_text() == "years of work"
    assert steadyhead("runs", "export", "-o", str(file), "--force").exit_code == 0
    assert "MH-2101" in file.read_text()


def test_a_run_is_judged_again_by_its_id_and_a_trace_says_what_it_is(steadyhead: Command, tmp_path: Path) -> None:
    steadyhead("run", "MH-2101", "--device", SCRIPTED)
    [recording], [trace] = ([*(tmp_path / "data").rglob(f"*.{end}")] for end in ("rec", "parquet"))
    by_file = steadyhead("replay", str(recording))
    for name in (recording.stem, recording.stem[:13]):
        assert steadyhead("replay", name).stdout == by_file.stdout
        assert steadyhead("replay", name, "--data", str(tmp_path / "data")).stdout == by_file.stdout
    told = steadyhead("replay", str(trace))
    assert told.exit_code == 64
    words = re.sub(r"[│\s]+", " ", told.stderr)
    assert "is a trace" in words
    assert f"replay {trace.stem}" in words
    assert "no run" in steadyhead("replay", "ffff").stderr
    assert "found nothing at" in re.sub(r"[│\s]+", " ", steadyhead("replay", "nowhere.rec").stderr)


@pytest.mark.parametrize(
    ("group", "command"),
    [
        ("0::/system.slice/steadyhead.service\n", "sudo systemctl stop steadyhead"),
        ("0::/system.slice/system-bench.slice/bench@1.service\n", "sudo systemctl stop bench@1"),
        ("0::/user.slice/user-7.slice/user@7.service/app.slice/bench.service\n", "systemctl --user stop bench"),
        ("0::/user.slice/user-7.slice/session-1.scope\n", "kill 42"),
        ("0::/user.slice/user-7.slice/user@7.service/app.slice/terminal.scope\n", "kill 42"),
        ("0::/\n", "kill 42"),
    ],
)
def test_a_service_is_stopped_by_its_manager(tmp_path: Path, group: str, command: str) -> None:
    (tmp_path / "42").mkdir()
    (tmp_path / "42" / "cgroup").write_text(group)
    assert stopping("42", tmp_path) == command
    assert stopping("43", tmp_path) == "kill 43"
