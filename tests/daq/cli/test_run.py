"""`steadyhead run`: the exit code is the verdict, and the verdict is in the record."""

import json
from pathlib import Path
from typing import Any

import pytest

from daq.cli.exits import Exit
from daq.cli.run import CONFIRMS
from daq.procedure.table import CONFIRMATIONS, Do
from tests.daq.cli.conftest import Command

SCRIPTED = "sim://scripted?script=1"
GOOD = "sim://depot/good-pump"


def lines(text: str) -> list[list[str]]:
    return [line.split("\t") for line in text.splitlines()]


def stored(steadyhead: Command) -> list[dict[str, Any]]:
    runs = json.loads(steadyhead("runs", "export", "--json").stdout)
    return list(runs)


def test_a_pass_ends_with_0_and_one_line_when_piped(steadyhead: Command) -> None:
    ended = steadyhead("run", "MH-2101", "--serial", "V4-00317", "--device", GOOD)
    assert (ended.exit_code, ended.stderr) == (Exit.PASS, "")
    [(verdict, why, part, serial, run)] = lines(ended.stdout)
    assert (verdict, why, part, serial) == ("pass", "", "MH-2101", "V4-00317")
    assert json.loads(steadyhead("runs", "show", run, "--json").stdout)["verdict"] == "pass"


def test_json_is_the_result_as_it_is_stored_but_for_the_budgets(steadyhead: Command) -> None:
    ended = steadyhead("run", "MH-2101", "--device", SCRIPTED, "--order", "WO 7", "--operator", "late shift", "--json")
    assert ended.exit_code == Exit.PASS
    told = json.loads(ended.stdout)
    assert (told["order"], told["operator"], told["sim"]) == ("WO 7", "late shift", 1)
    kept = json.loads(steadyhead("runs", "show", told["run"], "--json").stdout)
    budgets = [reading.pop("budget") for reading in kept["readings"]]
    assert {key: kept[key] for key in told} == told
    assert all(budgets)


def limit(config: Path, flow: str) -> None:
    """Asks for another free flow of MH-2101."""
    part = config / "parts" / "mh-2101.toml"
    text = part.read_text(encoding="utf-8")
    assert text.count('"110 L/h"') == 1
    part.write_text(text.replace('"110 L/h"', f'"{flow}"'), encoding="utf-8")


@pytest.mark.parametrize(
    ("flow", "code", "word"), [("130 L/h", Exit.FAIL, "fail"), ("122.5 L/h", Exit.UNDECIDED, "undecided")]
)
def test_other_verdicts_have_their_codes(steadyhead: Command, config: Path, flow: str, code: Exit, word: str) -> None:
    """The pump gives 122.5 L/h, give or take one; its operator waits until the stand has seen enough."""
    limit(config, flow)
    ended = steadyhead("run", "MH-2101", "--device", GOOD)
    assert ended.exit_code == code
    [(verdict, why, *_, run)] = lines(ended.stdout)
    assert (verdict, why) == (word, "free flow")
    assert json.loads(steadyhead("runs", "show", run, "--json").stdout)["verdict"] == word


def test_a_line_that_is_lost_is_void(steadyhead: Command) -> None:
    ended = steadyhead("run", "MH-2101", "--device", f"{SCRIPTED}&faults=unplug:10")
    assert ended.exit_code == Exit.VOID
    assert lines(ended.stdout)[0][:2] == ["void", "link down"]
    assert "the line is gone; check cable and power of the device" in ended.stderr


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("MH-9999", "--device", GOOD), Exit.USAGE, "MH-9999"),
        (("MH-2101", "--device", GOOD, "--serial", "S" * 41), Exit.USAGE, "serial: expected at most 40 characters"),
        (("MH-2101", "--device", "nowhere"), Exit.USAGE, "expected SCHEME://PLACE"),
        (("MH-2101", "--device", "sim://depot/nothing"), Exit.USAGE, "unit 'nothing'"),
        (("MH-2101", "--device", "serial:///dev/no-such-port"), Exit.INTERNAL, "there is no such device"),
    ],
)
def test_what_cannot_be_done_tests_nothing(steadyhead: Command, words: tuple[str, ...], code: Exit, said: str) -> None:
    ended = steadyhead("run", *words)
    assert (ended.exit_code, ended.stdout) == (code, "")
    assert said in ended.stderr


def test_abort_on_standard_input_ends_the_run(steadyhead: Command) -> None:
    ended = steadyhead("run", "MH-2101", "--device", f"{GOOD}?pace=500", input="dance\nabort\n")
    assert ended.exit_code == Exit.VOID
    assert lines(ended.stdout)[0][:2] == ["void", "aborted"]


def test_what_enter_confirms_is_asked_for_and_can_be_confirmed() -> None:
    assert set(CONFIRMS) <= {do.value for do in Do}
    assert set(CONFIRMS.values()) <= {word.value for word in CONFIRMATIONS}
