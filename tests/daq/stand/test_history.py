"""Scatter that earlier runs showed: fetched at a start, kept with the run, and the same in a replay."""

import math
from dataclasses import replace

import pytest

from daq.catalogue.stand_file import StandConfig
from daq.measure.scatter import Differences, Known
from daq.stand.history import history_from, plain_history, plain_scatter, scatter_from
from daq.stand.rejudge import in_force, rejudge
from drivers.device import Address
from drivers.replay import ReplayDevice, open_replay
from tests.daq.stand.conftest import OpenBench

UNIT = "sim://depot/good-pump"


async def opened(config: StandConfig, run: str) -> ReplayDevice:
    path = config.data / "recordings" / f"{run}.rec"
    return await open_replay(Address(f"replay://{path}", "replay", str(path)))


async def test_a_run_with_a_history_is_replayed_to_the_last_digit(open_bench: OpenBench, config: StandConfig) -> None:
    """The second run pools what the first one showed; its recording alone, without the record, gives its numbers."""
    async with open_bench(UNIT) as bench:
        first = (await bench.test(serial="V4-00317")).data
        bench.device.bench.mount("good-pump")
        second = (await bench.test(serial="V4-00318")).data
        stored = [(await bench.stored(d.run)).data for d in (first, second)]
    assert stored[0]["history"] == {}
    shown = stored[0]["scatter"]["free_flow.flow"]
    taken = stored[1]["history"]["free_flow.flow"]
    assert (taken["squares"], taken["counts"], taken["runs"]) == (shown["squares"], shown["counts"], 1)
    device = await opened(config, second.run)
    again = await rejudge(device, in_force(device))
    assert device.header["history"] == stored[1]["history"]
    assert [r.model_dump() for r in again.readings] == [r.model_dump() for r in second.readings]
    assert again.findings == second.findings
    device = await opened(config, second.run)
    other = await rejudge(device, replace(in_force(device), history={}))
    assert [r.value for r in other.readings] == [r.value for r in second.readings]
    assert [r.u for r in other.readings] != [r.u for r in second.readings]


async def test_a_budget_says_what_its_scatter_was_pooled_with(open_bench: OpenBench) -> None:
    async with open_bench(UNIT) as bench:
        await bench.test(serial="V4-00317")
        bench.device.bench.mount("good-pump")
        data = (await bench.test(serial="V4-00318")).data
        stored = (await bench.stored(data.run)).data
    [flow] = [r for r in stored["readings"] if r["name"] == "free_flow.flow"]
    [scatter] = [line for line in flow["budget"] if line["source"] == "scatter"]
    assert scatter["runs"] == 1
    assert scatter["known_dof"] > 2.0


async def test_other_parts_and_void_runs_are_no_history(open_bench: OpenBench) -> None:
    async with open_bench(UNIT) as bench:
        first = (await bench.test("MH-2101", serial="V4-00317")).data
        run = await bench.begin("MH-2101", serial="V4-00318")
        bench.stand.abort(run)
        await bench.ended(run)
        bench.device.bench.mount("module")
        module = (await bench.test("MH-3310", serial="V4-00319")).data
        bench.device.bench.mount("good-pump")
        again = (await bench.test("MH-2101", serial="V4-00320")).data
        histories = [(await bench.stored(d.run)).data["history"] for d in (first, module, again)]
    assert histories[:2] == [{}, {}]
    assert {known["runs"] for known in histories[2].values()} == {1}


def test_plain_data_there_and_back() -> None:
    seen = {"shutoff.pressure": Differences((0.1 + 0.2, 3e-300, 0.0), (10, 5, 2))}
    known = {"shutoff.pressure": Known(seen["shutoff.pressure"], 16.999999999999996, 3)}
    assert scatter_from(plain_scatter(seen)) == seen
    assert history_from(plain_history(known)) == known


@pytest.mark.parametrize(
    "bad",
    [
        {"squares": [1.0], "counts": [3, 1], "dof": 4.0, "runs": 1},
        {"squares": [-1.0], "counts": [3], "dof": 3.0, "runs": 1},
        {"squares": [math.nan], "counts": [3], "dof": 3.0, "runs": 1},
        {"squares": [1.0], "counts": [0], "dof": 3.0, "runs": 1},
        {"squares": [1.0], "counts": [-3], "dof": 3.0, "runs": 1},
        {"squares": [1.0], "counts": [3], "dof": 0.0, "runs": 1},
        {"squares": [1.0], "counts": [3], "dof": math.inf, "runs": 1},
        {"squares": [1.0] * 40, "counts": [3] * 40, "dof": 3.0, "runs": 1},
        {"squares": [1.0], "counts": [3], "runs": 1},
        {"squares": "12", "counts": None, "dof": 3.0, "runs": 1},
        "nonsense",
    ],
)
def test_a_damaged_history_is_refused(bad: object) -> None:
    with pytest.raises((ValueError, TypeError, KeyError)):
        history_from({"free_flow.flow": bad})
