"""Channels that go wrong in the middle of a whole run, found by the others or by their own rest; and sound runs."""

from collections.abc import Callable
from pathlib import Path

import pytest

from daq.catalogue.load import load_stand
from daq.procedure.effects import Alarm
from daq.publish import contract as c
from drivers.block import Role
from tests.daq.stand.bench import Bench
from tests.daq.stand.driven import DRIVEN, opened

STANDS = pytest.mark.parametrize("driven", [False, True], ids=["followed", "driven"])
IN_TRAVEL = 19.0
"""Seconds of the run: the first free flow has been read on either stand."""
AMPERE = 0.2
"""Volts at the converter for each."""
Befall = Callable[[Bench], None]


async def judged(
    folder: Path, befall: Befall, *, driven: bool, unit: str = "good-pump"
) -> tuple[c.ResultData, list[str]]:
    """A whole run to which something happens in the first travel of the valve, and its alarms."""
    config = load_stand(DRIVEN if driven else DRIVEN.parent / "stand.toml")
    async with opened(config, folder, f"sim://{'driven' if driven else 'depot'}/{unit}") as bench:
        bench.at(IN_TRAVEL, lambda: befall(bench))
        data = (await bench.test("MH-2101")).data
        return data, [alarm.code for alarm in bench.all(Alarm)]


def shunt(offset: float = 0.0, factor: float = 1.0) -> Befall:
    return lambda b: b.device.bench.readout.disturb(Role.SHUNT, lambda v, _: factor * v + offset * AMPERE)


def meter(factor: float) -> Befall:
    def befall(b: Bench) -> None:
        b.device.bench.meter.gain *= factor

    return befall


@STANDS
async def test_a_current_that_is_off_by_more_than_a_zero_may_be(tmp_path: Path, driven: bool) -> None:
    data, alarms = await judged(tmp_path, shunt(offset=0.13), driven=driven)
    assert (data.verdict, data.why, alarms) == ("void", "zero shifted", ["zero_shift"])


@STANDS
async def test_a_shunt_amplifier_that_loses_its_gain(tmp_path: Path, driven: bool) -> None:
    """Half an ampere where six flow: a pump that gives so much for it is none."""
    data, alarms = await judged(tmp_path, shunt(factor=0.08), driven=driven)
    assert (data.verdict, data.why, alarms) == ("void", "signals contradict", ["channels_disagree"])


@STANDS
@pytest.mark.parametrize("factor", [0.8, 1.25])
async def test_a_meter_that_is_off_between_two_free_flows(tmp_path: Path, driven: bool, factor: float) -> None:
    """A fifth less would fail a sound pump: free flow is required each time that it is read."""
    data, alarms = await judged(tmp_path, meter(factor), driven=driven)
    assert data.verdict == "void"
    assert alarms[-1] == "channels_disagree"


@STANDS
@pytest.mark.parametrize(("unit", "verdict"), [("good-pump", "pass"), ("weak-pump", "fail")])
async def test_without_a_fault_nothing_is_said(tmp_path: Path, driven: bool, unit: str, verdict: str) -> None:
    data, alarms = await judged(tmp_path, lambda b: None, driven=driven, unit=unit)
    assert (data.verdict, alarms) == (verdict, [])
    flows = [r for r in data.readings if r.quantity == "flow" and r.value is not None and r.U is not None]
    assert flows
    assert all((r.U or 0.0) < 0.02 * (r.value or 0.0) for r in flows)
