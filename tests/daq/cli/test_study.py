"""`steadyhead study repeats` over a database."""

import json
import shutil
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from daq.cli import output, study_repeats
from daq.record.store import Store
from daq.record.values import Finished
from tests.daq.cli.conftest import Command
from tests.daq.record.bench import result, started

OPERATORS = ("ada", "bo")
UNITS, TRIALS = 10, 2


def _tested(store: Store, number: int, value: float, verdict: str = "pass", **facts: Any) -> None:
    run = started(number, **facts)
    store.start_run(run)
    data = result(run, number, verdict)
    data["readings"][0]["value"] = value
    store.finish_run(run.run, lambda _: Finished(data, []))


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Ten units tested by two operators twice, besides a void run, an earlier revision, and a simulated run."""
    file = tmp_path_factory.mktemp("shelf") / "records.db"
    with closing(Store(f"sqlite:///{file}")) as store:
        store.open()
        number = 0
        for trial in range(TRIALS):
            for j, operator in enumerate(OPERATORS):
                for k in range(UNITS):
                    number += 1
                    value = 520.0 + 5 * k + j + 0.2 * (-1) ** (trial + k)
                    _tested(store, number, value, serial=f"K{k}", operator=operator)
        _tested(store, 101, 1.0, serial="V", verdict="void")
        _tested(store, 102, 2.0, serial="R", part_revision=2)
        _tested(store, 103, 3.0, serial="S", sim=True)
        store.start_run(started(104, serial="U"))
    return file


@pytest.fixture
def recorded(tmp_path: Path, shelf: Path) -> None:
    (tmp_path / "data").mkdir()
    shutil.copy(shelf, tmp_path / "data" / "records.db")


@pytest.mark.usefixtures("recorded")
def test_what_the_runs_of_a_part_say(steadyhead: Command) -> None:
    told = json.loads(steadyhead("study", "repeats", "MH-2101", "--json").stdout)
    pressure, rated = told["requirements"]
    assert (told["part"], told["part_revision"], pressure["requirement"]) == ("MH-2101", 3, "shutoff pressure")
    assert (pressure["runs"], pressure["units"], pressure["unit"]) == (40, 10, "kPa")
    assert pressure["mean"] == pytest.approx(542.5)
    s = pressure["s"]
    assert pressure["capability"]["cpk"] == pytest.approx(min(542.5 - 450, 650 - 542.5) / (3 * s))
    assert pressure["chart"]["outside"] == [0, 1, 8, 9]  # they rise from unit to unit, so neighbours differ by little
    assert [run[-2:] for run in pressure["outside"]] == ["01", "02", "09", "10"]
    assert pressure["gauge"]["operators"] == list(OPERATORS)
    assert pressure["gauge"]["av"] == pytest.approx(0.5**0.5, rel=0.02)  # of 0 and 1
    assert (rated["units"], rated["valueless"], rated["mean"]) == (0, 40, None)
    assert set(rated["missing"]) == {"capability", "chart", "repeated", "gauge"}


@pytest.mark.usefixtures("recorded")
def test_tables_for_people(steadyhead: Command, monkeypatch: pytest.MonkeyPatch) -> None:
    piped = steadyhead("study", "repeats", "MH-2101", "--group", "5").stdout.splitlines()
    assert [len(line.split("\t")) for line in piped] == [10, 10, 11]
    assert piped[0].split("\t")[:4] == ["shutoff pressure", "shutoff", "10", "542.5 kPa"]
    assert piped[2].split("\t")[2] == "10 × 2 × 2"
    monkeypatch.setattr(output, "in_terminal", lambda: True)
    monkeypatch.setenv("COLUMNS", "160")
    assert "GRR/TV" in steadyhead("study", "repeats", "MH-2101").stdout


@pytest.fixture
def mixed(tmp_path: Path) -> None:
    """Five units tested by two operators twice, one of whom is ±2.2 kPa off from unit to unit where repeats differ by
    ±1 kPa: F = 2.42 with 4 and 10 degrees of freedom, which chance gives in 12 % of studies."""
    (tmp_path / "data").mkdir()
    with closing(Store(f"sqlite:///{tmp_path}/data/records.db")) as store:
        store.open()
        number = 0
        for trial in (1.0, -1.0):
            for j, operator in enumerate(OPERATORS):
                for k, apart in enumerate((2.2, -2.2, 2.2, -2.2, 0.0)):
                    number += 1
                    _tested(store, number, 520.0 + 5 * k + j * apart + trial, serial=f"K{k}", operator=operator)


@pytest.mark.usefixtures("mixed")
@pytest.mark.parametrize(
    ("options", "level", "pooled", "told"),
    [
        ((), 0.25, False, "kept, p 0.117 ≤ 0.25"),
        (("--pool-above", "0.25"), 0.25, False, "kept, p 0.117 ≤ 0.25"),
        (("--pool-above", "0.05"), 0.05, True, "pooled, p 0.117 > 0.05"),
    ],
)
def test_the_level_at_which_a_gauge_study_pools(
    steadyhead: Command, options: tuple[str, ...], level: float, pooled: bool, told: str
) -> None:
    gauge = json.loads(steadyhead("study", "repeats", "MH-2101", "--json", *options).stdout)["requirements"][0]["gauge"]
    assert (gauge["pool_above"], gauge["pooled"]) == (level, pooled)
    assert gauge["ev"] == pytest.approx((39.36 / 14) ** 0.5 if pooled else 2.0**0.5)
    assert steadyhead("study", "repeats", "MH-2101", *options).stdout.splitlines()[-1].split("\t")[-1] == told


@pytest.mark.usefixtures("mixed")
def test_a_level_that_is_not_in_use_is_refused(steadyhead: Command) -> None:
    ended = steadyhead("study", "repeats", "MH-2101", "--pool-above", "0.1")
    assert ended.exit_code == 64
    assert "above a level of 0.05 or 0.25, got 0.1" in ended.stderr


@pytest.mark.usefixtures("recorded")
def test_what_is_missing_is_told_once(steadyhead: Command, monkeypatch: pytest.MonkeyPatch) -> None:
    said: list[str] = []
    monkeypatch.setattr(study_repeats, "note", said.append)
    steadyhead("study", "repeats", "MH-2101", "--group", "6")
    assert said[0] == "41 runs of revision 3, 1 of earlier ones"
    assert said[1:3] == [
        "shutoff pressure (shutoff): no chart: needs two groups of 6 units, found 10 units",
        "rated flow (rated): no Cpk: needs 10 units, found 0",
    ]
    said.clear()
    steadyhead("study", "repeats", "MH-2101", "--simulated")
    shared = [
        "no scatter of the same unit: no unit was tested twice",
        "no gauge study: needs 2 named operators who each tested the same 5 units twice",
    ]
    assert [text for text in said if text in shared] == shared


@pytest.mark.usefixtures("recorded")
def test_simulated_runs_stand_apart(steadyhead: Command) -> None:
    told = json.loads(steadyhead("study", "repeats", "MH-2101", "--simulated", "--json").stdout)
    assert told["requirements"][0]["mean"] == 3.0
    ended = steadyhead("study", "repeats", "MH-2101", "--simulated", "--until", "2031-05-04")
    assert ended.exit_code == 64
    assert "expected finished simulated runs, found none" in ended.stderr


@pytest.mark.usefixtures("recorded")
def test_runs_of_the_other_kind_are_mentioned(steadyhead: Command) -> None:
    ended = steadyhead("study", "repeats", "MH-2101", "--since", "2031-05-04T08:55:00")
    assert ended.exit_code == 64
    assert "found none; 1 simulated ones are there; test units of it first, or add --simulated" in ended.stderr


@pytest.mark.usefixtures("recorded")
def test_wrong_use(steadyhead: Command) -> None:
    for words, said in [(("MH-9999",), "part 'MH-9999'"), (("MH-2101", "--group", "0"), "1 … 100 units, got 0")]:
        ended = steadyhead("study", "repeats", *words)
        assert (ended.exit_code, said in ended.stderr) == (64, True)
