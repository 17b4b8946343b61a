"""No sequence with missing evidence ends in a pass: random losses, random faults, random ends."""

from dataclasses import dataclass

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.judge.finding import Result
from daq.judge.verdict import Word
from daq.procedure.effects import Outcome
from daq.procedure.plan import Kind, Part
from daq.procedure.run import Run
from drivers.block import Input, Role, Status, Trip
from tests.daq.measure.blocks import LITRES_PER_HOUR
from tests.daq.procedure.bench import Bench, Unit, begin, drive, module, pump

FAULTS = (
    (Role.PRESSURE, -100e3),
    (Role.PRESSURE, 1.1e6),
    (Role.SUPPLY_VOLTAGE, -5.0),
    (Role.SUPPLY_VOLTAGE, 25.0),
    (Role.SHUNT, -4.0),
    (Role.FLUID_TEMPERATURE, 230.0),
    (Role.LEVEL, 1.3),
)
LIES = ((Role.SHUNT, 0.0), (Role.PRESSURE, 0.0), (Role.LEVEL, 0.0))
"""Within their span, so nobody can tell them from a unit that does nothing."""


@dataclass(frozen=True, slots=True)
class Mishap:
    """What goes wrong from `begin` to `end` seconds: blocks lost with some probability, and a wire at a level."""

    begin: float
    end: float
    loss: float
    wire: tuple[Role, float] | None
    supply: float
    dead_meter: bool


def mishaps(wires: tuple[tuple[Role, float], ...]) -> st.SearchStrategy[Mishap]:
    return st.builds(
        lambda begin, length, loss, wire, supply, dead: Mishap(begin, begin + length, loss, wire, supply, dead),
        st.floats(4.0, 20.0),
        st.floats(0.1, 15.0),
        st.sampled_from([0.0, 0.02, 0.2, 1.0]),
        st.one_of(st.none(), st.sampled_from(wires)),
        st.sampled_from([13.5, 12.0, 14.5]),
        st.booleans(),
    )


parts = st.sampled_from([pump(), module(), module(Kind.MODULE_RETURN)])
good = st.just((125.0, 500e3, 5.0))
units = st.one_of(
    good, st.tuples(st.sampled_from([0.0, 60.0, 109.0, 125.0]), st.sampled_from([0.0, 300e3, 500e3]), st.just(5.0))
)

DRY_ROLES = (Role.SHUNT, Role.SUPPLY_VOLTAGE)


def spoilt(part: Part, unit: tuple[float, float, float], mishap: Mishap, seed: int, seconds: float) -> Outcome:
    """A run in which that happens; halted as lost after so many seconds."""
    bench, rng = Bench(Unit(unit[0] * LITRES_PER_HOUR, unit[1], unit[2])), np.random.default_rng(seed)

    def hook(b: Bench, _: Run) -> None:
        now = mishap.begin <= b.t < mishap.end
        b.lose = now and rng.random() < mishap.loss
        b.silent_wires = dict([mishap.wire]) if now and mishap.wire is not None else {}
        b.supply = mishap.supply if now else 13.5
        b.meter_alive = not (now and mishap.dead_meter)

    bench.hook = hook
    run = begin(part)
    drive(run, bench, seconds)
    run.halt("line lost")
    assert run.outcome is not None
    return run.outcome


def whole(outcome: Outcome, part: Part) -> bool:
    """Whether every requirement has a reading that shows it met, in a run that came to its end."""
    asked = {r.name for r in part.requirements}
    met = {f.requirement.name for f in outcome.findings if f.result is Result.MET and f.reading is not None}
    reached = bool(outcome.stages) and outcome.stages[-1][0] == "finish"
    return asked == met and reached and all(f.result is Result.MET for f in outcome.findings)


@settings(max_examples=60, deadline=None)
@given(parts, units, mishaps(FAULTS + LIES), st.integers(0, 10**6), st.floats(3.0, 70.0))
def test_missing_evidence_never_passes(
    part: Part, unit: tuple[float, float, float], mishap: Mishap, seed: int, seconds: float
) -> None:
    outcome = spoilt(part, unit, mishap, seed, seconds)
    if outcome.verdict.word is Word.PASS:
        assert whole(outcome, part)
        assert unit[0] > 95
        assert 380e3 < unit[1] < 800e3
    assert len(outcome.findings) >= len(part.requirements)


@settings(max_examples=60, deadline=None)
@given(parts, mishaps(FAULTS), st.integers(0, 10**6))
def test_what_is_wrong_with_the_stand_fails_no_good_unit(part: Part, mishap: Mishap, seed: int) -> None:
    outcome = spoilt(part, (125.0, 500e3, 5.0), mishap, seed, 90.0)
    assert outcome.verdict.word is not Word.FAIL, outcome.findings


@settings(max_examples=25, deadline=None)
@given(mishaps(FAULTS), st.integers(0, 10**6))
def test_no_reading_is_touched_by_what_went_wrong(mishap: Mishap, seed: int) -> None:
    """Windows of readings lie outside of the time in which blocks were lost or a judged channel was broken."""
    outcome = spoilt(pump(), (125.0, 500e3, 5.0), mishap, seed, 90.0)
    broken = mishap.loss == 1.0 or (mishap.wire is not None and mishap.wire[0] is not Role.LEVEL)
    if broken:
        for reading in outcome.readings:
            # A dry check rests on current and voltage alone.
            spared = reading.stage == "dry_check" and mishap.wire is not None and mishap.wire[0] not in DRY_ROLES
            if "interval" not in reading.flags and not spared:
                begun, ended = reading.window
                assert ended <= mishap.begin + 0.1 or begun >= mishap.end - 0.1, reading


@settings(max_examples=25, deadline=None)
@given(st.floats(0.0, 14.0), st.sampled_from([Trip.LEASE, Trip.STOP_CIRCUIT, Trip.POWER_TOO_LONG, Trip.OTHER_LIMIT]))
def test_a_trip_at_any_time_is_void(at: float, trip: Trip) -> None:
    bench, run = Bench(), begin(pump())
    drive(run, bench, at)
    run.status(Status(1, 0, False, False, True, True, False, 0, 0, Input(0), trip, 0, 0, 0))
    assert run.outcome is not None
    assert run.outcome.verdict.word is Word.VOID
