"""One scripted run three ways: on a pseudo-terminal, from its recording, in fast simulation; all numbers are equal."""

import json
import math
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
import pytest

from daq.cli.exits import Exit
from simulator.rig import Rig
from simulator.scenario import load_scenario
from tests.system.bench import Json, simulated_from_stream, steadyhead
from tests.system.records import CONFIG

PACES = (12.0, 4.0)
"""A line that is read too slowly at the first pace gets a second chance; then the test fails."""

TO_THE_RESIDUAL = """
title = "A pump whose check valve is looked at, tested by the clock"
like = "depot"

[units.high-pressure]
part = "MH-2140"
serial = "W1-00052"
motor = { segments = 8 }
"""
SCRIPT = {
    6: "connect",
    9: "dry_check",
    12: "immerse",
    15: "open_valve",
    18: "power_on",
    28: "close_valve_slowly",  # shut at 33.7 s, and open again within the part's 10 s
    38: "open_valve_slowly",
    54: "close_valve_slowly",
    64: "power_off",
    80: "remove",
}
"""Seconds since the first scan."""

MORE = """
[[requirement]]
name = "speed"
quantity = "speed"
stage = "free_flow"
at_least = "4000 1/min"

[[requirement]]
name = "efficiency"
quantity = "efficiency"
stage = "rated"
at = "400 kPa"
at_least = "5 %"
"""

ASKED = ("free_flow.speed", "residual.residual_pressure@10s", "rated.flow@400kPa", "rated.efficiency@400kPa")

JUDGED = ("findings", "verdict", "why", "conditions", "hints", "pump_on_s")


@dataclass(frozen=True)
class Case:
    """A unit and the person who goes by the clock, and what its part is held against."""

    part: str
    unit: str
    scenario: str
    config: Path = CONFIG

    def words(self, device: str, data: Path) -> tuple[str | Path, ...]:
        where = ("--config", self.config, "--device", device, "--data", data)
        return ("run", self.part, *where, "--serial", "V4-00317", "--json")


async def live(case: Case, data: Path, pace: float) -> Json:
    """The run over a pseudo-terminal. The person at the bench goes by the clock; his words go to standard input."""
    rig = Rig(load_scenario(case.scenario), case.unit, script=True)
    async with (
        simulated_from_stream(rig, pace) as stand,
        steadyhead(*case.words(stand.address, data), stdin=True) as child,
    ):
        stand.confirmed = child.say
        return await result_of(child, lost_too=True)


async def fast(case: Case, data: Path) -> Json:
    async with steadyhead(*case.words(f"sim://{case.scenario}/{case.unit}?script=1", data)) as child:
        return await result_of(child)


async def replayed(recording: Path) -> Json:
    async with steadyhead("replay", recording, "--json") as child:
        return await result_of(child)


async def result_of(child: Any, *, lost_too: bool = False) -> Json:
    """The result of a run that passed; with `lost_too` also of one that lost scans on a busy machine."""
    code, errors = await child.ended()
    made: Json = json.loads("".join(child.output))
    quality = made.get("quality", {})
    if not (lost_too and quality.get("scans_received") != quality.get("scans_expected")):
        assert (code, errors) == (Exit.PASS, ""), f"{errors}{''.join(child.output)}"
    return made


async def whole(case: Case, folder: Path, capsys: pytest.CaptureFixture[str]) -> tuple[Json, Path]:
    """A live run without lost scans, and where its records lie."""
    for pace in PACES:
        data = folder / f"pace-{pace:g}"
        result = await live(case, data, pace)
        quality = result["quality"]
        lost = quality["scans_expected"] - quality["scans_received"]
        if not lost:
            return result, data
        with capsys.disabled():
            print(f"\n{lost} scans were lost at pace {pace:g}: this machine is busy")  # noqa: T201
    pytest.fail(f"scans were lost at every pace of {PACES}: samples are not equal, so numbers cannot be compared")


async def three_ways(case: Case, folder: Path, capsys: pytest.CaptureFixture[str]) -> tuple[Json, Json, Json]:
    """The result over a line, from its recording, and in fast simulation; the windows' samples are the same."""
    over_line, data = await whole(case, folder, capsys)
    again = await replayed(data / over_line["recording"]["file"])
    simulated_fast = await fast(case, folder / "fast")
    same = [mine for mine in over_line["readings"] if mine in simulated_fast["readings"]]
    check_windows(traces(data, over_line), traces(folder / "fast", simulated_fast), same)
    return over_line, again, simulated_fast


def check_equal(one: Json, other: Json) -> None:
    """Equal in everything that was measured and judged."""
    for mine, theirs in zip(one["readings"], other["readings"], strict=True):
        assert theirs == mine, mine["name"]
    for name in JUDGED:
        assert other[name] == one[name], name


def check_but_for_captures(over_line: Json, simulated_fast: Json) -> None:
    """A capture is made at another moment over a line than in fast simulation. So what is read from it, and from the
    samples that it took the place of, is not quite the same; all else is, to the last digit."""
    for result in (over_line, simulated_fast):
        result["findings"] = [finding for finding in result["findings"] if not captured(finding)]
    mine, theirs = ({r["name"]: r for r in result["readings"]} for result in (over_line, simulated_fast))
    for name in mine.keys() | theirs.keys():
        if not captured(mine.get(name) or theirs[name]):
            assert alike(theirs[name], mine[name]), name
        elif name in mine and name in theirs:
            assert theirs[name]["value"] == pytest.approx(mine[name]["value"], abs=mine[name]["U"] / 4), name
    for name in JUDGED:
        assert alike(simulated_fast[name], over_line[name]), name


def alike(one: Any, other: Any, name: str = "") -> bool:
    """Equal, but for figures of uncertainty: the zero's depends a little on when a person's word came, and over a line
    that is another block."""
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(alike(one[key], other[key], key) for key in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(alike, one, other))
    if name in ("u", "U", "k", "dof", "p_conform") and None not in (one, other):
        return bool(one == pytest.approx(other, rel=1e-2, abs=1e-6))
    return bool(one == other)


def captured(item: Json) -> bool:
    """Whether a reading or a finding hangs on when a capture was made."""
    return item["quantity"] == "speed" or item["stage"] == "rated"


async def test_live_replayed_and_simulated(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    case = Case("MH-2101", "good-pump", "scripted")
    over_line, again, simulated_fast = await three_ways(case, tmp_path, capsys)
    assert len([reading for reading in over_line["readings"] if not captured(reading)]) == 18
    check_equal(over_line, again)
    check_but_for_captures(over_line, simulated_fast)


async def test_with_all_that_can_be_read(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    over_line, again, simulated_fast = await three_ways(with_further(tmp_path), tmp_path, capsys)
    assert {*ASKED} <= {reading["name"] for reading in over_line["readings"]}
    check_equal(over_line, again)
    check_but_for_captures(over_line, simulated_fast)


def with_further(folder: Path) -> Case:
    """A part of which everything is asked, and a person who goes through the longest run."""
    config, scenario = folder / "config", folder / "residual.toml"
    shutil.copytree(CONFIG, config)
    with (config / "parts" / "mh-2140.toml").open("a", encoding="utf-8") as part:
        part.write(MORE)
    script = "".join(f'[[script]]\nat_s = {at:.1f}\ndo = "{do}"\n' for at, do in SCRIPT.items())
    scenario.write_text(TO_THE_RESIDUAL + script, encoding="utf-8")
    return Case("MH-2140", "high-pressure", str(scenario), config)


def traces(data: Path, result: Json) -> dict[str, Any]:
    table = pq.read_table(data / result["trace"]["file"])
    return {name: table[name].to_numpy() for name in table.column_names}


def check_windows(one: dict[str, Any], other: dict[str, Any], readings: list[Json]) -> None:
    """The samples in every window are the same to the last bit, and as many as the window is long."""
    assert one.keys() == other.keys()
    for reading in readings:
        begin, end = reading["window"]
        inside = [(t["t"] > begin - 1e-9) & (t["t"] < end - 1e-9) for t in (one, other)]
        assert inside[0].sum() == pytest.approx((end - begin) * 500, abs=1)
        for name in one:
            mine, theirs = one[name][inside[0]], other[name][inside[1]]
            if name == "t":
                assert mine == pytest.approx(theirs, abs=1e-9), reading["name"]
            else:
                assert np.array_equal(mine, theirs, equal_nan=True), f"{reading['name']}: {name}"
            assert not math.isnan(float(np.mean(mine))) or name == "flow"
