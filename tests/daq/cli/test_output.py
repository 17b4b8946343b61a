"""Tables and JSON for people at a terminal, and plain lines for whatever reads a pipe."""

import json
from datetime import date
from pathlib import Path

import pytest

from daq.cli import output

ROWS = [("MH-2101", 1, None), ("MH-3310", 22, "[bold]not markup[/bold]")]


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(output, "in_terminal", lambda: True)
    monkeypatch.setenv("COLUMNS", "80")


def test_rows_through_a_pipe(capsys: pytest.CaptureFixture[str]) -> None:
    output.put_table(("part", "revision", "why"), ROWS)
    assert capsys.readouterr().out == "MH-2101\t1\t\nMH-3310\t22\t[bold]not markup[/bold]\n"


@pytest.mark.usefixtures("terminal")
def test_rows_in_a_terminal_have_a_head(capsys: pytest.CaptureFixture[str]) -> None:
    output.put_table(("part", "revision", "why"), ROWS)
    lines = [line.split() for line in capsys.readouterr().out.splitlines()]
    assert ["part", "revision", "why"] in lines
    assert ["MH-3310", "22", "[bold]not", "markup[/bold]"] in lines


def test_pairs_through_a_pipe(capsys: pytest.CaptureFixture[str]) -> None:
    output.put_pairs([("run", "0197"), ("trace", None)])
    assert capsys.readouterr().out == "run\t0197\ntrace\t\n"


@pytest.mark.usefixtures("terminal")
def test_pairs_in_a_terminal_stand_in_columns(capsys: pytest.CaptureFixture[str]) -> None:
    output.put_pairs([("run", "0197"), ("recording", "file")])
    assert capsys.readouterr().out == "run        0197\nrecording  file\n"


def test_json_is_one_line_through_a_pipe(capsys: pytest.CaptureFixture[str]) -> None:
    output.put_json({"due": date(2027, 9, 14), "file": Path("a/b"), "unit": "°C"})
    assert capsys.readouterr().out == '{"due": "2027-09-14", "file": "a/b", "unit": "°C"}\n'


@pytest.mark.usefixtures("terminal")
def test_json_is_indented_in_a_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    output.put_json([1])
    written = capsys.readouterr().out
    assert json.loads(written) == [1]
    assert written == "[\n  1\n]\n"


def test_no_number_that_is_none_gets_into_json() -> None:
    with pytest.raises(ValueError, match="Out of range"):
        output.put_json({"value": float("nan")})


def test_errors_go_to_standard_error(capsys: pytest.CaptureFixture[str]) -> None:
    output.complain("this is wrong")
    output.note("only for people")
    caught = capsys.readouterr()
    assert (caught.out, caught.err) == ("", "steadyhead: this is wrong\n")
