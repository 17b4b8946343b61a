"""Every fault of a sensor that the simulator knows, in whole runs: no good pump fails by one, and where its channel was
needed none passes; a weak pump never does."""

from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from daq.catalogue.load import load_catalogue, load_stand
from daq.judge.verdict import Verdict, Word
from daq.procedure.plan import Part, Stand
from daq.procedure.run import Run
from drivers.block import Block, Replayed, Role
from drivers.device import Address
from simulator.driver import open_sim
from simulator.sensor_faults import ALL_CHANNELS, ANALOG, SENSOR_FAULTS

CONFIG = Path(__file__).resolve().parents[3] / "config"
PATIENCE_S = 12.0
"""A stage's time and that for an answer are shortened to this, so that runs which come to nothing end soon."""
REFERENCES = (Role.EXCITATION, Role.AMBIENT_TEMPERATURE, Role.REFERENCE_VOLTAGE)
OF_REFERENCES = {*(name for name, (role, _) in ANALOG.items() if role in REFERENCES), *ALL_CHANNELS}
HARMLESS = ("temperature_stuck", "level_stuck", "converter_supply_low")
NEEDED = [f for f in SENSOR_FAULTS if f not in HARMLESS]
"""A stuck thermometer goes on being right, since the bath hardly warms; a bare pump has no level; no device here
measures its converter's supply."""
MOMENTS = {"dry check": 8.5, "free flow": 14.0, "shutoff": 22.6}
"""Seconds of the run; the first reading in fluid is complete at 15 s, that of the shutoff at 24 s."""


@cache
def configured() -> tuple[Stand, Part]:
    config = load_stand(CONFIG)
    limits = replace(config.stand.limits, stage_s=PATIENCE_S, ask_s=PATIENCE_S)
    return replace(config.stand, limits=limits), load_catalogue(CONFIG, config.stand).part("MH-2101")


async def judged(unit: str, fault: str, at: float) -> Verdict:
    """The verdict on a unit of the depot, one of whose sensors fails `at` seconds into the run; faults of references
    befall a device that measures them."""
    place = f"{'referenced' if fault in OF_REFERENCES else 'depot'}/{unit}"
    device = await open_sim(Address(f"sim://{place}", "sim", place))
    stand, part = configured()
    run, waiting = Run(part, stand, device.identity, {}), [fault] if fault else []
    async for event in device.events():
        if isinstance(event, Block):
            run.feed(event)
        elif isinstance(event, Replayed):
            run.confirm(str(event.body["what"]))
        if run.outcome is not None:
            break
        device.operator.hear(run.now.do.value)
        if waiting and run.t >= at:
            device.bench.add_fault(waiting.pop())
    await device.close()
    assert run.outcome is not None
    assert not waiting, "the run ended before the sensor failed"
    return run.outcome.verdict


async def test_without_a_fault_a_good_pump_passes_and_a_weak_one_fails() -> None:
    assert await judged("good-pump", "", 0.0) == Verdict(Word.PASS)
    assert (await judged("weak-pump", "", 0.0)).word is Word.FAIL


@pytest.mark.parametrize("moment", MOMENTS)
@pytest.mark.parametrize("fault", NEEDED)
async def test_a_good_pump_neither_fails_nor_passes(fault: str, moment: str) -> None:
    assert (await judged("good-pump", fault, MOMENTS[moment])).word is Word.VOID


@pytest.mark.parametrize("fault", SENSOR_FAULTS)
async def test_a_weak_pump_never_passes(fault: str) -> None:
    assert (await judged("weak-pump", fault, MOMENTS["free flow"])).word in (Word.FAIL, Word.VOID)
