"""`steadyhead setup leak`: what it says before, what it prints, and that the stand takes it."""

import json
import re
import tomllib
from pathlib import Path

import numpy as np
import pytest

from daq.catalogue.load import check, load_stand
from daq.cli import setup_leak
from daq.cli.setup_leak import as_json, as_toml
from daq.measure.leak import leak_of
from drivers.block import Event
from drivers.device import PortError
from tests.daq.cli.conftest import Command
from tests.daq.stand.paper import Paper, under_pressure

RNG = np.random.default_rng(6)
FALLING = 500e3 * np.exp(-np.arange(0.0, 75.0, 0.002) / 100.0)


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch) -> Paper:
    """The stand's device, whose line falls with a time constant of 100 s."""
    paper = Paper(under_pressure(FALLING + RNG.normal(0.0, 200.0, FALLING.size)))

    async def open_paper(address: str) -> Paper:
        if address != "paper://bench":
            raise PortError(f"{address}: there is no such device")
        return paper

    monkeypatch.setattr(setup_leak, "open_device", open_paper)
    return paper


LEAK = ("setup", "leak", "--device", "paper://bench", "--time", "60")


def test_the_lines_go_into_the_stand_as_they_are(steadyhead: Command, config: Path, bench: Paper) -> None:
    ended = steadyhead(*LEAK)
    assert ended.exit_code == 0, ended.stderr
    assert bench.closed
    stand = config / "stand.toml"
    text = stand.read_text(encoding="utf-8")
    assert tomllib.loads(ended.stdout)["channel"]["pressure"]["leak"]["temperature"] == "20.0 degC"
    old = re.search(r"\[channel\.pressure\.leak\].*?\n\]\n", text, re.DOTALL)
    assert old is not None
    stand.write_text(text.replace(old[0], ended.stdout), encoding="utf-8")
    assert check(config) == []
    leak = load_stand(config).stand.channels.pressure.leak
    assert leak is not None
    assert len(leak.table) > 2
    for at, rate in leak.table:
        assert rate == pytest.approx(at / 100.0, rel=0.02)
        assert abs(rate - at / 100.0) <= 1.5 * leak.doubt


def test_a_simulated_stand_leaks_as_its_scenario_says(steadyhead: Command) -> None:
    """depot.toml: 0.432 mL/h for each 100 kPa out of a line that takes up 0.15 mL for them, so 0.08 % a second. A pump
    left in the line leaks too."""
    rates = {}
    for unit in ("blank", "good-pump"):
        ended = steadyhead("setup", "leak", "--device", f"sim://depot/{unit}", "--time", "40", "--json")
        [point] = json.loads(ended.stdout)["points"]
        rates[unit] = point["rate"]["value"] / point["at"]["value"], point["U"]["value"] / point["at"]["value"]
    assert rates["blank"][0] == pytest.approx(0.432 / 3600 / 0.15, abs=1.5 * rates["blank"][1])
    assert rates["good-pump"][0] > 1.1 * rates["blank"][0]


def test_it_changes_no_file(steadyhead: Command, config: Path, bench: Paper) -> None:
    before = (config / "stand.toml").read_bytes()
    assert steadyhead(*LEAK).exit_code == 0
    assert (config / "stand.toml").read_bytes() == before


def test_as_json(steadyhead: Command, bench: Paper) -> None:
    told = json.loads(steadyhead(*LEAK, "--json").stdout)
    assert told["temperature"] == {"value": pytest.approx(20.0, abs=0.02), "unit": "Cel"}
    assert told["seconds"] == pytest.approx(60.0, abs=0.1)
    assert [point["at"]["unit"] for point in told["points"]] == ["kPa"] * len(told["points"])
    assert told["points"][0]["rate"]["value"] == pytest.approx(told["points"][0]["at"]["value"] / 100.0, rel=0.02)
    assert tomllib.loads(told["toml"])["channel"]["pressure"]["leak"]["doubt"].endswith(" kPa/s")


def test_people_are_warned_and_told_what_to_do(
    steadyhead: Command, bench: Paper, monkeypatch: pytest.MonkeyPatch
) -> None:
    said: list[str] = []
    monkeypatch.setattr(setup_leak, "note", said.append)
    assert steadyhead(*LEAK).exit_code == 0
    text = "\n".join(said)
    for words in ("Relief ports and hoses spray", "Eyes and hands", "plug", "Guard", "goggles", "supply switched off"):
        assert words in text
    assert "at least 200 kPa, never above 950 kPa" in text
    assert "touch nothing for" in text
    assert said[-1] == "Let the pressure down before you open a joint."


def test_they_are_told_to_let_the_pressure_down_also_where_it_fails(
    steadyhead: Command, bench: Paper, monkeypatch: pytest.MonkeyPatch
) -> None:
    said: list[str] = []
    monkeypatch.setattr(setup_leak, "note", said.append)
    bench.heard = list[Event](under_pressure(np.full(10_000, 960e3)))
    ended = steadyhead(*LEAK)
    assert ended.exit_code == 70
    assert "steadyhead: stand marrow-hill/bench-1: pressure: expected at most 950.0 kPa" in ended.stderr
    assert said[-1] == "Let the pressure down before you open a joint."
    assert bench.closed


@pytest.mark.parametrize(
    ("words", "code", "match"),
    [
        (("--device", "paper://gone"), 70, "there is no such device"),
        (("--time", "5"), 64, "30"),
        (("--config", "/nonexistent"), 64, "a directory with stand.toml in it"),
    ],
)
def test_how_it_ends(steadyhead: Command, bench: Paper, words: tuple[str, ...], code: int, match: str) -> None:
    ended = steadyhead(*LEAK, *words)
    assert (ended.exit_code, match in ended.stderr) == (code, True), ended.stderr


def test_what_is_printed_is_not_surer_than_what_was_found() -> None:
    from datetime import date

    t = np.arange(0.025, 60.0, 0.05)
    found = leak_of(t, 400e3 - 12.3456 * t + RNG.normal(0.0, 100.0, t.size), kelvins=0.0)
    day = date(2031, 5, 4)
    lines = as_toml(found, day).splitlines()
    assert lines[:2] == ["[channel.pressure.leak]", "date = 2031-05-04"]
    stated = float(re.findall(r'doubt = "([\d.]+) kPa/s"', "\n".join(lines))[0])
    assert 0.0 <= stated * 1e3 - found.leak.doubt <= 0.011
    assert as_json(found, day)["temperature"] is None
