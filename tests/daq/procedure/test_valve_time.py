"""An actuator that takes longer than the stand's file says: the valve would lag behind its ramp, and then let pressure
run away. A device that tells the valve moving gives it away while it still has no power."""

from dataclasses import replace

import pytest

from daq.procedure.effects import Outputs
from daq.procedure.plan import Drive
from daq.procedure.run import Run
from daq.procedure.table import Do
from drivers.block import Trip
from tests.daq.procedure.bench import STAND, Bench, begin, drive, pump
from tests.daq.procedure.told import alarms, tripped

PATIENT = replace(STAND.limits, ask_s=60.0)


def waiting(actuator: float, travel: float) -> tuple[Run, Bench]:
    """A run that waits for somebody to connect the unit, with a device that tells the valve moving for so long (s)."""
    bench = Bench(leaves=frozenset({Do.CONNECT}))
    told = tripped(Trip.NONE)
    bench.hook = lambda b, r: b.effects.extend(r.status(replace(told, power_on=False, valve_moving=b.t < actuator)))
    run = begin(pump(), replace(STAND, drive=Drive(travel=travel), limits=PATIENT))
    drive(run, bench, 15.0)
    return run, bench


@pytest.mark.parametrize("travel", [2.0, 4.0, 8.0])
def test_an_actuator_as_quick_as_stated_is_let_be(travel: float) -> None:
    run, bench = waiting(travel * 1.1, travel)
    assert run.outcome is None
    assert alarms(bench) == []


@pytest.mark.parametrize("travel", [2.0, 4.0, 8.0])
def test_a_slower_one_ends_the_run_before_there_is_power(travel: float) -> None:
    """Found when a tenth of the travel and 0.3 s are over."""
    run, bench = waiting(1.2 * travel + 0.4, travel)
    assert run.outcome is not None
    assert (run.outcome.verdict.word.value, run.outcome.verdict.why) == ("void", "valve slower than stated")
    assert alarms(bench) == ["valve_slower_than_stated"]
    assert run.outcome.duration_s == pytest.approx(1.1 * travel + 0.3, abs=0.15)
    assert not any(e.power for e in bench.effects if isinstance(e, Outputs))
