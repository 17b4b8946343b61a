"""Units whose heavy rotors run on after power-off, under the whole daemon: only applied power counts."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from daq.procedure.effects import Alarm
from simulator.bench import Bench as SimulatedBench
from tests.daq.stand.conftest import OpenBench
from tests.daq.stand.driven import driven

TIMES = {"3 s": 28.0, "1 s": 9.0}
"""By how long the motor of the pump that ships runs down in the air, by the rotor's inertia over its own. At first it
holds the terminals at 93 % of the supply."""
LIGHT = {"0.1 s": 1.0}


def make_heavy(sim: SimulatedBench, times: float) -> None:
    unit = sim.design.unit
    heavy = replace(unit, motor=replace(unit.motor, inertia=times * unit.motor.inertia))
    sim.design = replace(sim.design, unit=heavy)
    sim.plant.unit = heavy


def watch_power(sim: SimulatedBench) -> Callable[[], float]:
    """Gives the seconds for which the unit truly has had power."""
    scan, spent = sim.scan, [0.0]

    def watched() -> list[int]:
        counts = scan()
        spent[0] += sim.plant.powered / sim.scenario.device.sample_hz
        return counts

    sim.scan = watched  # type: ignore[method-assign]
    return lambda: spent[0]


@pytest.mark.parametrize("times", (LIGHT | TIMES).values(), ids=LIGHT | TIMES)
async def test_a_followed_run_counts_applied_power_only(open_bench: OpenBench, tmp_path: Path, times: float) -> None:
    """The person runs the pump dry for 1.85 s of the 2 s that its part permits."""
    late = tmp_path / "late.toml"
    late.write_text('title = "late"\nlike = "depot"\n[operator]\ndry_run_s = 1.85\n')
    async with open_bench(f"sim://{late}/good-pump") as bench:
        make_heavy(bench.device.bench, times)
        powered = watch_power(bench.device.bench)
        data = (await bench.test()).data
        assert (data.verdict.value, data.why) == ("pass", "")
        assert data.pump_on_s == pytest.approx(powered(), abs=0.15)
        assert [a.code for a in bench.all(Alarm) if a.code.startswith("supply")] == []


@pytest.mark.parametrize("times", TIMES.values(), ids=TIMES)
async def test_a_driven_run_sees_its_switch_obey(tmp_path: Path, times: float) -> None:
    async with driven(tmp_path) as stand:
        make_heavy(stand.bench.device.bench, times)
        data = await stand.test()
        assert (data.verdict.value, data.why) == ("pass", "")
        assert data.pump_on_s == pytest.approx(sum(stand.power.spells), abs=0.15)
        assert stand.stops() == {}
