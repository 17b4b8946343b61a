"""One scripted run three ways: on a pseudo-terminal, from its recording, in fast simulation; all numbers are equal."""

import json
import math
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

pytestmark = pytest.mark.timeout(90)


async def live(data: Path, pace: float) -> Json:
    """The run over a pseudo-terminal. The person at the bench goes by the clock; his words go to standard input."""
    rig = Rig(load_scenario("scripted"), "good-pump", script=True)
    async with simulated_from_stream(rig, pace) as stand:
        words = ("--config", CONFIG, "--device", stand.address, "--data", data, "--json")
        async with steadyhead("run", "MH-2101", "--serial", "V4-00317", *words, stdin=True) as child:
            stand.confirmed = child.say
            return await result_of(child)


async def fast(data: Path) -> Json:
    words = ("--config", CONFIG, "--device", "sim://scripted?script=1", "--data", data, "--json")
    async with steadyhead("run", "MH-2101", "--serial", "V4-00317", *words) as child:
        return await result_of(child)


async def replayed(recording: Path) -> Json:
    async with steadyhead("replay", recording, "--json") as child:
        return await result_of(child)


async def result_of(child: Any) -> Json:
    code, errors = await child.ended()
    assert (code, errors) == (Exit.PASS, ""), f"{errors}{''.join(child.output)}"
    made: Json = json.loads("".join(child.output))
    return made


async def whole(folder: Path, capsys: pytest.CaptureFixture[str]) -> tuple[Json, Path]:
    """A live run without lost scans, and where its records lie."""
    for pace in PACES:
        data = folder / f"pace-{pace:g}"
        result = await live(data, pace)
        quality = result["quality"]
        lost = quality["scans_expected"] - quality["scans_received"]
        if not lost:
            return result, data
        with capsys.disabled():
            print(f"\n{lost} scans were lost at pace {pace:g}: this machine is busy")  # noqa: T201
    pytest.fail(f"scans were lost at every pace of {PACES}: samples are not equal, so numbers cannot be compared")


async def test_live_replayed_and_simulated(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    over_line, data = await whole(tmp_path, capsys)
    again = await replayed(data / over_line["recording"]["file"])
    simulated_fast = await fast(tmp_path / "fast")
    assert len(over_line["readings"]) == 13
    for other in (again, simulated_fast):
        for mine, theirs in zip(over_line["readings"], other["readings"], strict=True):
            assert theirs == mine, mine["name"]
        for name in ("findings", "verdict", "why", "conditions", "pump_on_s"):
            assert other[name] == over_line[name], name
    check_windows(traces(data, over_line), traces(tmp_path / "fast", simulated_fast), over_line["readings"])


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
            assert np.array_equal(mine, theirs, equal_nan=True), f"{reading['name']}: {name}"
            assert not math.isnan(float(np.mean(mine))) or name == "flow"
