"""What happens to a unit on the bench and is none of its doing, in whole runs of the daemon: void, never fail."""

from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from daq.procedure.effects import Alarm
from daq.publish import contract as c
from daq.stand.said import Live
from simulator.plant.unit import Inlet
from tests.daq.stand.bench import Bench
from tests.daq.stand.conftest import OpenBench
from tests.daq.stand.driven import driven


def befall(bench: Bench, mishap: str, stage: str, after: float, then: str = "") -> None:
    """The unit meets with a mishap so many seconds into a stage, and with another one 2 s later."""
    entered: list[float] = []
    waiting = [(after, mishap), *([(after + 2.0, then)] if then else [])]

    def hook(said: object) -> None:
        if not isinstance(said, Live) or said.about is None or (said.stage != stage and not entered):
            return
        entered[:] = entered or [said.step.t]
        if waiting and said.step.t - entered[0] >= waiting[0][0]:
            bench.device.bench.add_fault(waiting.pop(0)[1])

    bench.hooks.append(hook)


def stops(bench: Bench) -> list[str]:
    return [alarm.code for alarm in bench.all(Alarm) if alarm.severity == "stop"]


def found(data: c.ResultData, requirement: str) -> set[str]:
    return {str(f.finding) for f in data.findings if f.requirement == requirement}


@pytest.mark.parametrize("after", [4.0, 8.0])
async def test_a_unit_taken_off_while_it_holds_its_pressure(open_bench: OpenBench, after: float) -> None:
    """Pressure falls to nothing within a step: no check valve leaks like that. Before, it failed."""
    async with open_bench("sim://depot/high-pressure") as bench:
        befall(bench, "unit_off", "residual", after)
        data = (await bench.test("MH-2140")).data
        assert (data.verdict.value, data.why) == ("void", "holds pressure")
        assert found(data, "holds pressure") == {"void"}
        notes = await bench.events(data.run, "note")
        [why] = [n["detail"] for n in notes if n["what"] == "residual pressure not read"]
        assert why == "pressure lost at once: was the unit taken off?"


async def test_a_valve_opened_while_a_unit_holds_its_pressure(open_bench: OpenBench) -> None:
    async with open_bench("sim://depot/high-pressure") as bench:
        befall(bench, "valve_opened", "residual", 5.0)
        data = (await bench.test("MH-2140")).data
        assert (data.verdict.value, data.why) == ("void", "holds pressure")


async def test_a_check_valve_that_leaks_still_fails(open_bench: OpenBench) -> None:
    async with open_bench("sim://depot/high-pressure") as bench:
        bench.device.bench.add_fault("leaking_check_valve")
        data = (await bench.test("MH-2140")).data
        assert (data.verdict.value, data.why) == ("fail", "holds pressure")


@pytest.mark.parametrize(
    ("stage", "after", "why"),
    [
        ("free_flow", 1.2, "flow ended"),
        ("throttle", 5.0, "pressure lost at once"),
        ("shutoff", 0.3, "pressure lost at once"),
        ("reopen", 0.5, "pressure lost at once"),
        ("free_flow.2", 0.5, "flow ended"),
    ],
)
async def test_a_hose_that_slips_off(open_bench: OpenBench, stage: str, after: float, why: str) -> None:
    """Before, the flow that ended was held against the unit, or the run waited for a person's word."""
    async with open_bench("sim://depot/good-pump") as bench:
        befall(bench, "hose_off", stage, after)
        data = (await bench.test()).data
        assert (data.verdict.value, data.why) == ("void", why)
        assert stops(bench) == [why.replace(" ", "_").removesuffix("_at_once")]


@pytest.mark.parametrize(
    ("mishap", "stage", "after"),
    [
        ("lead_off", "free_flow", 2.0),
        ("lead_off", "reopen", 2.0),
        ("out_of_fluid", "free_flow", 1.5),
        ("out_of_fluid", "free_flow.2", 0.5),
    ],
)
async def test_a_lead_or_the_fluid_that_is_gone(open_bench: OpenBench, mishap: str, stage: str, after: float) -> None:
    """Before, each of them failed a sound unit."""
    async with open_bench("sim://depot/good-pump") as bench:
        befall(bench, mishap, stage, after)
        assert (await bench.test()).data.verdict.value == "void"


@pytest.mark.parametrize("mishap", ["lead_off", "hose_off", "valve_opened", "out_of_fluid"])
async def test_what_keeps_a_module_from_filling(open_bench: OpenBench, mishap: str) -> None:
    """Before, each but the hose failed a sound module."""
    async with open_bench("sim://depot/module") as bench:
        befall(bench, mishap, "fill", 1.5)
        assert (await bench.test("MH-3310")).data.verdict.value == "void"


@pytest.mark.parametrize("stage", ["free_flow", "throttle", "shutoff", "reopen", "free_flow.2"])
async def test_power_that_is_cut_by_hand_and_comes_back(open_bench: OpenBench, stage: str) -> None:
    """Nothing is read across it, and what is read afterwards is sound."""
    async with open_bench("sim://depot/good-pump") as bench:
        befall(bench, "power_cut", stage, 0.4, "power_back")
        data = (await bench.test()).data
        assert data.verdict.value == "pass"


async def test_power_that_is_cut_while_a_module_fills_spoils_its_time(open_bench: OpenBench) -> None:
    async with open_bench("sim://depot/module") as bench:
        befall(bench, "power_cut", "fill", 2.0, "power_back")
        data = (await bench.test("MH-3310")).data
        assert data.verdict.value == "void"


async def test_a_return_line_that_slips_out(open_bench: OpenBench) -> None:
    """A module that gives back nothing to its own reservoir empties it and draws air: nothing of it is its fault."""
    async with open_bench("sim://depot/module-return") as bench:
        befall(bench, "return_off", "hold_return", 5.0)
        assert (await bench.test("MH-3325")).data.verdict.value != "fail"


@dataclass(frozen=True, slots=True)
class Slugs(Inlet):
    """Air that comes in slugs, of two seconds in every five, each of them two fifths of what is drawn."""

    def gas(self, seconds: float) -> float:
        return 0.4 if seconds % 5.0 < 2.0 else 0.0


async def test_steady_for_two_seconds_in_the_middle_of_air(open_bench: OpenBench) -> None:
    """Before, the flow of a slug was read and held against the pump."""
    async with open_bench("sim://depot/good-pump") as bench:
        plant = bench.device.bench.plant
        plant.unit = replace(plant.unit, inlet=Slugs())
        data = (await bench.test()).data
        assert data.verdict.value == "void"
        for reading in data.readings:
            assert reading.quantity != "flow" or reading.value is None or reading.value > 110.0


@pytest.mark.parametrize(
    ("mishap", "stage", "after"),
    [
        ("hose_off", "free_flow", 1.5),
        ("hose_off", "throttle", 2.0),
        ("hose_off", "shutoff", 0.2),
        ("hose_off", "free_flow.2", 0.5),
        ("lead_off", "free_flow", 1.5),
        ("lead_off", "reopen", 1.0),
        ("unit_off", "throttle", 2.0),
        ("unit_off", "shutoff", 0.2),
        ("out_of_fluid", "throttle", 0.5),
        ("out_of_fluid", "free_flow.2", 0.5),
    ],
)
async def test_a_driven_stand_fails_no_unit_for_what_befalls_it(
    tmp_path: Path, mishap: str, stage: str, after: float
) -> None:
    """A stand that knows its valve shut read no pressure there as the unit's own."""
    async with driven(tmp_path) as stand:
        befall(stand.bench, mishap, stage, after)
        data = await stand.test()
        assert data.verdict.value == "void"
        assert not stand.power.on


@pytest.mark.parametrize("mishap", ["hose_off", "out_of_fluid", "lead_off"])
async def test_running_without_flow_ends_after_five_seconds(open_bench: OpenBench, mishap: str) -> None:
    """It took ten, counted from when the meter was silent. A unit that was never seen to work in fluid fails by it; one
    whose lead came off after it ran in its dry check does not."""
    async with open_bench("sim://depot/good-pump") as bench:
        befall(bench, mishap, "free_flow", 0.0)
        befall(bench, mishap, "free_flow", 0.3)  # whatever the person has put right meanwhile
        data = (await bench.test()).data
        assert data.verdict.value == ("void" if mishap == "lead_off" else "fail")
        notes = await bench.events(data.run, "note")
        on = [n["t"] for n in notes if n["what"] == "power on"]
        end = max(said.step.t for said in bench.all(Live) if said.about is not None)
        assert 4.9 < end - on[-1] < 5.9  # a wet impeller still gives some pulses as it runs dry
