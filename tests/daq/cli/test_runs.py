"""`steadyhead runs`: what was recorded, listed, shown and exported."""

import csv
import io
import json
import shutil
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from daq.cli import output
from daq.cli import runs as command
from daq.record.store import Store
from tests.daq.cli.conftest import Command
from tests.daq.record.bench import finish, result, started

FIRST, SECOND, THIRD = started(1), started(2, part="MH-3310", serial="K2"), started(3)


@pytest.fixture
def recorded(tmp_path: Path) -> None:
    """A pass, a fail, and a run that is under way."""
    with closing(Store(f"sqlite:///{tmp_path}/data/records.db")) as store:
        store.open()
        for run, verdict in ((FIRST, "pass"), (SECOND, "fail")):
            store.start_run(run)
            store.finish_run(run.run, finish(run, verdict))
        store.start_run(THIRD)


def test_before_the_first_run_there_is_no_database_and_none_is_made(steadyhead: Command, tmp_path: Path) -> None:
    ended = steadyhead("runs", "list")
    assert ended.exit_code == 64
    assert "records.db: there is no such file; run a test first" in ended.stderr
    assert not (tmp_path / "data").exists()


@pytest.mark.usefixtures("recorded")
def test_the_list_is_newest_first(steadyhead: Command) -> None:
    lines = [line.split("\t") for line in steadyhead("runs", "list").stdout.splitlines()]
    assert [line[1] for line in lines] == [THIRD.run, SECOND.run, FIRST.run]
    assert [line[7] for line in lines] == ["under way", "fail", "pass"]
    assert lines[2][2:6] == ["2031-05-04T07:13:09.120Z", "marrow-hill/bench-1", "MH-2101", "K00317"]


@pytest.mark.usefixtures("recorded")
def test_the_list_fits_a_terminal_of_80_columns(steadyhead: Command, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    for module in (output, command):
        monkeypatch.setattr(module, "in_terminal", lambda: True)
    lines = [line.split() for line in steadyhead("runs", "list").stdout.splitlines() if "2031" in line]
    assert [line[1:3] for line in lines[1:]] == [[run.run[:13], "2031-05-04"] for run in (SECOND, FIRST)]
    assert lines[2][3:] == ["07:13", "MH-2101", "K00317", "pass:", "rated", "flow", "no"]


@pytest.mark.usefixtures("recorded")
@pytest.mark.parametrize(
    ("words", "runs"),
    [
        (("--verdict", "pass"), [FIRST]),
        (("--part", "MH-3310"), [SECOND]),
        (("--serial", "K00317"), [THIRD, FIRST]),
        (("--limit", "1"), [THIRD]),
        (("--since", "2031-05-04T07:14:09", "--until", "2031-05-04T07:15:09"), [SECOND]),
    ],
)
def test_filters(steadyhead: Command, words: tuple[str, ...], runs: list[object]) -> None:
    listed = json.loads(steadyhead("runs", "list", "--json", *words).stdout)
    assert [line["run"] for line in listed] == [run.run for run in runs]  # type: ignore[attr-defined]


@pytest.mark.usefixtures("recorded")
def test_a_verdict_that_is_none(steadyhead: Command) -> None:
    ended = steadyhead("runs", "list", "--verdict", "good")
    assert ended.exit_code == 64
    assert "'good' is none of pass, fail, undecided, void" in ended.stderr


@pytest.mark.usefixtures("recorded")
def test_a_run(steadyhead: Command) -> None:
    lines = [line.split("\t") for line in steadyhead("runs", "show", FIRST.run).stdout.splitlines()]
    assert ["verdict", "pass: rated flow"] in lines
    assert ["part", "MH-2101 revision 3 (pump)"] in lines
    met = ["shutoff pressure", "shutoff", "450 kPa", "650 kPa", "512.0 kPa", "3.1", "met"]
    assert met in lines
    assert ["rated flow", "rated", "80 L/h", "", "", "", "void"] in lines
    assert ["shutoff", "flow", "0 … 0.9 L/h", "", "2.07", "repeated values"] in lines


def test_hints_stand_below_the_readings_with_what_speaks_for_and_against(steadyhead: Command, tmp_path: Path) -> None:
    hint = {
        "cause": "worn pump",
        "rank": 1,
        "for": ["flow low", "pressure low"],
        "against": ["steady"],
        "basis": "custom",
    }
    with closing(Store(f"sqlite:///{tmp_path}/data/records.db")) as store:
        store.open()
        store.start_run(FIRST)
        store.finish_run(
            FIRST.run, lambda seq: replace(finish(FIRST)(seq), data=result(FIRST, seq) | {"hints": [hint]})
        )
    lines = [line.split("\t") for line in steadyhead("runs", "show", FIRST.run).stdout.splitlines()]
    assert lines[-4:] == [
        ["hint 1", "cause", "worn pump (custom)"],
        ["hint 1", "for", "flow low"],
        ["hint 1", "for", "pressure low"],
        ["hint 1", "against", "steady"],
    ]


@pytest.mark.usefixtures("recorded")
def test_a_run_as_json_is_the_contracts_data(steadyhead: Command) -> None:
    shown = json.loads(steadyhead("runs", "show", FIRST.run, "--json").stdout)
    assert shown == result(FIRST, 1, "pass")


@pytest.mark.usefixtures("recorded")
@pytest.mark.parametrize(("prefix", "said"), [("ffff", "no run has an id that begins so"), ("0197", "several runs")])
def test_a_run_that_is_none_or_several(steadyhead: Command, prefix: str, said: str) -> None:
    ended = steadyhead("runs", "show", prefix)
    assert (ended.exit_code, ended.stdout) == (64, "")
    assert said in ended.stderr


@pytest.mark.usefixtures("recorded")
def test_the_export_is_oldest_first_and_whole(steadyhead: Command) -> None:
    runs = json.loads(steadyhead("runs", "export").stdout)
    assert [run["run"] for run in runs] == [FIRST.run, SECOND.run, THIRD.run]
    assert runs[0] == result(FIRST, 1, "pass")
    assert runs[2]["verdict"] is None


@pytest.mark.usefixtures("recorded")
def test_the_export_as_csv_has_a_line_a_finding(steadyhead: Command, tmp_path: Path) -> None:
    file = tmp_path / "runs.csv"
    ended = steadyhead("runs", "export", "--format", "csv", "--output", str(file))
    assert (ended.exit_code, ended.output) == (0, "")
    lines = list(csv.DictReader(io.StringIO(file.read_text(encoding="utf-8"), newline="")))
    assert [line["run"] for line in lines] == [FIRST.run] * 2 + [SECOND.run] * 2 + [THIRD.run]
    first = {key: lines[0][key] for key in ("requirement", "finding", "value", "unit", "U", "at_least", "at_most")}
    assert first == {
        **{"requirement": "shutoff pressure", "finding": "met", "value": "512.0000000001", "unit": "kPa"},
        **{"U": "3.1", "at_least": "450.0", "at_most": "650.0"},
    }
    assert (lines[1]["unit"], lines[1]["at_least"], lines[1]["value"]) == ("L/h", "80.0", "")
    assert (lines[4]["requirement"], lines[4]["verdict"]) == ("", "")


@pytest.mark.usefixtures("recorded")
def test_another_database(steadyhead: Command, tmp_path: Path) -> None:
    ended = steadyhead("runs", "list", "--database", f"sqlite:///{tmp_path}/other.db")
    assert ended.exit_code == 64
    assert "other.db" in ended.stderr


@pytest.mark.parametrize("url", ["records", "shelf://a/b"])
def test_a_database_url_that_means_nothing(steadyhead: Command, url: str) -> None:
    ended = steadyhead("runs", "list", "--database", url)
    assert ended.exit_code == 64
    assert "database URL: expected sqlite:///FILE" in ended.stderr


@pytest.mark.usefixtures("recorded")
def test_an_export_that_cannot_be_written(steadyhead: Command, tmp_path: Path) -> None:
    ended = steadyhead("runs", "export", "--output", str(tmp_path / "none" / "runs.json"))
    assert ended.exit_code == 64
    assert "--output" in ended.stderr
    assert "No such file or directory" in " ".join(ended.stderr.replace("│", " ").split())


@pytest.mark.usefixtures("recorded")
def test_the_database_that_a_run_left_in_a_folder(steadyhead: Command, tmp_path: Path) -> None:
    shutil.copytree(tmp_path / "data", tmp_path / "try")
    listed = steadyhead("runs", "list", "--data", str(tmp_path / "try"))
    assert listed.exit_code == 0, listed.stderr
    assert listed.stdout == steadyhead("runs", "list").stdout
    for rest in (("show", FIRST.run), ("export",)):
        assert steadyhead("runs", *rest, "--data", str(tmp_path / "try")).exit_code == 0
    none = steadyhead("runs", "list", "--data", str(tmp_path / "none"))
    assert (none.exit_code, "none/records.db: there is no such file" in none.stderr) == (64, True)
    both = steadyhead("runs", "list", "--data", str(tmp_path), "--database", "sqlite:///x.db")
    assert both.exit_code == 64
