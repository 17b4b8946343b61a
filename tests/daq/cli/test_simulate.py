"""`steadyhead simulate` as a thin cover of the simulator's own function."""

import json

import pytest

from tests.daq.cli.conftest import Command


def test_it_prints_the_address_first_and_ends_at_quit(steadyhead: Command) -> None:
    ended = steadyhead("simulate", "depot", "--unit", "module", input="do dance\nquit\n")
    lines = ended.stdout.splitlines()
    assert ended.exit_code == 0
    assert lines[0].startswith("serial:///dev/pts/")
    assert lines[1].startswith("error ")


def test_tcp_and_json(steadyhead: Command) -> None:
    ended = steadyhead("simulate", "--tcp", "127.0.0.1:0", "--json", input="no such line\nquit")
    address, mistake = (json.loads(line) for line in ended.stdout.splitlines())
    assert address["device"].startswith("tcp://127.0.0.1:")
    assert "error" in mistake


@pytest.mark.parametrize("words", [("nowhere",), ("depot", "--unit", "nothing")])
def test_an_unknown_scenario_or_unit(steadyhead: Command, words: tuple[str, ...]) -> None:
    ended = steadyhead("simulate", *words, input="")
    assert (ended.exit_code, ended.stdout) == (64, "")
    assert words[-1] in ended.stderr
