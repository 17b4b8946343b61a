"""A whole daemon on stands whose line is left shut with a pressure in it, and on stands that sense their valve."""

from collections.abc import Callable
from pathlib import Path

import pytest

from daq.publish import contract as c
from daq.stand.said import Stage
from simulator.bench import Bench as Simulated
from tests.daq.stand.bench import STREAMING, Bench
from tests.daq.stand.conftest import OpenBench
from tests.daq.stand.driven import opened, stand_file

TRAPPED = 3e3
"""A shift of the zero may be larger (Pa)."""
SENSING = """
title = "A stand whose valve is sensed"
like = "{like}"

[device]
id = "4d48303062330001"
firmware = "1.0.0"
boot = 3
tick_hz = 1000000
sample_hz = 500
block_scans = 20
burst_max_hz = 20000
burst_max_total = 4000
power_switch = {driven}
settable_supply = false
valve_actuator = {driven}
valve_sensor = true
valve_travel_s = 2.0
inputs = [{inputs}]

[units.{unit}]
part = "{part}"
serial = "V4-00317"
"""


@pytest.fixture
def sensing(tmp_path: Path) -> Callable[..., str]:
    """The address of a simulated stand with a position sensor."""

    def made(unit: str = "good-pump", part: str = "MH-2101", *, driven: bool = False) -> str:
        inputs = '"stop_circuit", "splash_guard", "fluid_level"' if driven else ""
        flag = str(driven).lower()
        file = tmp_path / "sensing.toml"
        file.write_text(SENSING.format(like="depot", driven=flag, inputs=inputs, unit=unit, part=part))
        return f"sim://{file}"

    return made


def pressures(data: c.ResultData) -> dict[str, float]:
    return {r.stage: r.value for r in data.readings if r.quantity == "peak_pressure" and r.value is not None}


def no_zero(data: c.ResultData) -> bool:
    [reading] = [r for r in data.readings if r.quantity == "peak_pressure"]
    return "no_zero" in reading.flags


async def zero_note(bench: Bench, run: str) -> list[str]:
    return [n["detail"] for n in await bench.events(run, "note") if n["what"] == "zero"]


async def test_a_sound_run_has_its_zero_as_soon_as_ever(open_bench: OpenBench) -> None:
    async with open_bench("sim://depot/good-pump") as bench:
        data = (await bench.test()).data
        [said] = await zero_note(bench, data.run)
        assert said.endswith("line confirmed")
        assert not no_zero(data)
        asked = [s.now.since for s in bench.all(Stage) if s.now is not None and s.now.do.value == "connect"]
        assert asked[0] == pytest.approx(5.05, abs=0.11)


def loosened(sim: Simulated, bench: Bench) -> None:
    """A valve that sticks when it is to be opened for connecting, and is found and freed when free flow needs it."""
    sim._actuator.stuck = True

    def free(said: object) -> None:
        if isinstance(said, Stage) and said.now is not None and said.now.stage == "free_flow":
            sim._actuator.mend()

    bench.hooks.append(free)


@pytest.mark.parametrize("sticks", [False, True])
async def test_a_pressure_behind_a_shut_valve_is_no_zero(open_bench: OpenBench, sticks: bool) -> None:
    """Whether the person opens the valve when told, or says so and it was not: before, 3 kPa were taken for nothing and
    each pressure read 3 kPa too low, without a word."""
    async with open_bench("sim://depot/good-pump?seed=3") as bench:
        sound = pressures((await bench.test()).data)
    async with open_bench("sim://depot/good-pump?seed=3") as bench:
        bench.device.bench.trap(TRAPPED)
        if sticks:
            loosened(bench.device.bench, bench)
        data = (await bench.test()).data
        assert data.verdict == "pass"
        assert no_zero(data)
        assert pressures(data)["shutoff"] == pytest.approx(sound["shutoff"], abs=1.5)


async def test_a_valve_that_is_sensed_shut_is_opened_before_the_zero(
    open_bench: OpenBench, sensing: Callable[..., str]
) -> None:
    async with open_bench(sensing()) as bench:
        bench.device.bench.trap(TRAPPED)
        data = (await bench.test()).data
        assert data.verdict == "pass"
        assert not no_zero(data)
        asked = [s.now for s in bench.all(Stage) if s.now is not None and s.now.stage == "connect"]
        assert [n.do.value for n in asked if n.do.value != "wait"] == ["open_valve", "connect"]
        assert not asked[0].asked
        [said] = await zero_note(bench, data.run)
        assert said.endswith("line sensed")


async def test_a_sensed_valve_is_not_asked_about(open_bench: OpenBench, sensing: Callable[..., str]) -> None:
    """A module's valve is shut before power comes, and no person need say so."""
    async with open_bench(sensing("module", "MH-3310")) as bench:
        data = (await bench.test("MH-3310")).data
        assert data.verdict == "pass"
        shut = [s.now for s in bench.all(Stage) if s.now is not None and s.now.do.value == "close_valve"]
        assert shut
        assert not any(n.asked for n in shut)
        assert not any("valve_confirmed" in r.flags for r in data.readings)


async def test_a_driven_stand_that_senses_its_valve(tmp_path: Path, sensing: Callable[..., str]) -> None:
    async with opened(stand_file(), tmp_path, sensing(driven=True)) as bench:
        data = (await bench.test()).data
        assert (data.verdict.value, no_zero(data)) == ("pass", False)
        [said] = await zero_note(bench, data.run)
        assert said.endswith("line sensed")


async def test_a_driven_valve_that_is_sensed_where_it_was_not_told_to_be(
    tmp_path: Path, sensing: Callable[..., str]
) -> None:
    """Before, its steady pressure became the zero; now the run ends before there is power."""
    async with opened(stand_file(), tmp_path, sensing(driven=True)) as bench:
        bench.device.bench.trap(TRAPPED)
        bench.device.bench._actuator.stuck = True
        data = (await bench.test()).data
        assert (data.verdict.value, data.why) == ("void", "valve does not obey")
        assert await zero_note(bench, data.run) == []
        assert data.pump_on_s == 0.0


async def test_a_run_that_ended_with_its_line_open_shows_it_for_the_zero_between_runs(open_bench: OpenBench) -> None:
    async with open_bench(STREAMING) as bench:
        await bench.test()
        assert bench.stand._idle is not None
        assert bench.stand._idle.line_open


async def test_a_run_that_ended_with_its_line_shut_does_not(open_bench: OpenBench) -> None:
    async with open_bench("sim://depot/module?pace=2000") as bench:
        await bench.test("MH-3310")
        assert bench.stand._idle is not None
        assert not bench.stand._idle.line_open
