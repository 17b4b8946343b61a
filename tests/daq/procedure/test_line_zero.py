"""The zero of a run: a rest gives it only with the line shown open."""

from dataclasses import replace

import pytest

from daq.judge.verdict import Verdict, Word
from daq.procedure.effects import Noted, Outcome, StageNow
from daq.procedure.plan import Drive, Kind
from daq.procedure.run import Run
from daq.procedure.table import Do
from drivers.block import UNKNOWN_VALVE, Feature, Input, Status, Trip
from tests.daq.measure.blocks import LITRES_PER_HOUR, identity
from tests.daq.procedure.bench import PUMP_NEEDS, STAND, Bench, Unit, begin, carry_out, drive, module, pump
from tests.daq.procedure.told import alarms, finding, notes

TRAPPED = 3e3
"""Less than a shift of the zero may be, so that nothing but the valve tells it from one (Pa)."""
SENSING = replace(identity(), features=identity().features | Feature.VALVE_SENSOR)


def trapped(pressure: float = TRAPPED) -> Bench:
    """A line that has stood at a steady pressure behind a shut valve for long."""
    return Bench(Unit(holds=1e6), valve=0.0, aim=0.0, pressure=pressure)


def zero_note(bench: Bench) -> str:
    return next((e.detail for e in bench.effects if isinstance(e, Noted) and e.what == "zero"), "")


def flags(outcome: Outcome) -> set[str]:
    reading = finding(outcome, "shutoff pressure").reading
    assert reading is not None
    return set(reading.flags)


def sensed(bench: Bench, run: Run, *, moving: bool = False, wrong: int | None = None) -> None:
    """The device tells where its valve is; `wrong` is what a broken sensor tells instead."""
    valve = round(bench.valve * 10_000) if wrong is None else wrong
    status = Status(1, 0, bench.power, moving, True, True, False, valve, 0, Input(0), Trip.NONE, 0, 0, 0)
    bench.effects += run.status(status)


# A person's word.


def test_a_word_that_the_valve_is_open_makes_a_rest_the_zero() -> None:
    bench = Bench(zero=2e3)
    outcome = carry_out(pump(), bench)
    assert outcome.zero.taken
    assert outcome.zero.pressure == pytest.approx(2e3, abs=50)
    assert zero_note(bench).endswith("line confirmed")


def test_a_pressure_behind_a_shut_valve_is_no_zero_although_the_valve_was_said_to_be_open() -> None:
    """The first free flow contradicts it: pressure without flow."""
    bench = trapped()
    outcome = carry_out(pump(), bench)
    assert not outcome.zero.taken
    assert "zero dropped" in notes(bench)
    assert "no_zero" in flags(outcome)
    reading = finding(outcome, "shutoff pressure").reading
    assert reading is not None
    assert abs(reading.value - 500e3) < reading.combined.U
    assert outcome.verdict == Verdict(Word.PASS)


def test_a_valve_that_is_opened_before_the_word_shows_that_the_rest_was_none() -> None:
    bench = trapped()

    def hook(b: Bench, r: Run) -> None:
        if r.stage == "connect" and r.now.do is Do.CONNECT and b.valve == 0.0:
            b.turn(1.0, quick=True)
        b.leaves = frozenset({Do.CONNECT}) if b.valve < 1.0 else frozenset()

    bench.hook = hook
    outcome = carry_out(pump(), bench)
    assert outcome.verdict == Verdict(Word.PASS)
    assert abs(outcome.zero.pressure) < 50.0
    if not outcome.zero.taken:
        assert "no_zero" in flags(outcome)


def test_a_valve_that_is_opened_after_the_word_shows_it_too() -> None:
    """Pressure that falls between the word and power was none of an open line."""
    bench = trapped()

    def hook(b: Bench, r: Run) -> None:
        if r.stage == "immerse":
            b.turn(1.0, quick=True)
        b.leaves = frozenset({Do.IMMERSE}) if b.valve < 1.0 else frozenset()

    bench.hook = hook
    outcome = carry_out(pump(), bench)
    assert not outcome.zero.taken
    assert "zero dropped" in notes(bench)
    assert "no_zero" in flags(outcome)


def test_a_module_has_its_zero_from_the_same_word() -> None:
    bench = Bench(zero=2e3)
    outcome = carry_out(module(), bench)
    assert outcome.zero.taken
    assert outcome.verdict == Verdict(Word.PASS)


# Without a word: the first free flow.


def unsaid(bench: Bench) -> Bench:
    """A person who switches on without having said anything."""
    bench.leaves = frozenset({Do.CONNECT})

    def hook(b: Bench, r: Run) -> None:
        if r.stage == "connect" and b.t > 6.0:
            b.power = True
        if r.stage == "dry_check":
            b.leaves = frozenset()

    bench.hook = hook
    return bench


def test_without_a_word_the_first_free_flow_shows_that_the_line_was_open() -> None:
    bench = unsaid(Bench(zero=2e3))
    outcome = carry_out(pump(dry_check_s=None), bench)
    assert outcome.zero.taken
    assert outcome.zero.pressure == pytest.approx(2e3, abs=50)
    assert zero_note(bench).endswith("seen at the first free flow")
    assert "no_zero" not in flags(outcome)


def test_without_a_word_a_pressure_behind_a_shut_valve_is_no_zero() -> None:
    bench = unsaid(trapped())
    outcome = carry_out(pump(dry_check_s=None), bench)
    assert not outcome.zero.taken
    assert "no_zero" in flags(outcome)


def test_a_module_that_nobody_said_anything_of_keeps_the_calibrated_zero() -> None:
    """Its first stage with power shuts the valve: nothing shows where that was before."""
    bench = Bench(zero=2e3, leaves=frozenset({Do.CONNECT}))
    bench.hook = lambda b, r: setattr(b, "power", b.power or (r.stage == "connect" and b.t > 6.0))
    outcome = carry_out(module(), bench)
    assert not outcome.zero.taken


# A position that the device senses.


def with_sensor(bench: Bench) -> Bench:
    before = bench.hook

    def hook(b: Bench, r: Run) -> None:
        sensed(b, r)
        before(b, r)

    bench.hook = hook
    return bench


def test_a_valve_that_is_sensed_shut_is_to_be_opened_before_there_is_a_zero() -> None:
    bench = with_sensor(trapped())
    run = begin(pump(), device=SENSING)
    drive(run, bench, 120.0)
    assert run.outcome is not None
    asked = [(e.do, e.asked) for e in bench.effects if isinstance(e, StageNow) and e.stage == "connect"]
    assert asked == [(Do.OPEN_VALVE, False), (Do.WAIT, False), (Do.CONNECT, True)]
    assert abs(run.outcome.zero.pressure) < 50.0
    assert run.outcome.zero.taken
    assert zero_note(bench).endswith("line sensed")
    assert run.outcome.verdict == Verdict(Word.PASS)


def test_a_sensed_valve_needs_no_confirmation() -> None:
    """A module's valve is shut before power comes: its sensor says so."""
    bench = with_sensor(Bench(confirms_valve=False))
    run = begin(module(), device=SENSING)
    drive(run, bench, 120.0)
    assert run.outcome is not None
    assert run.outcome.verdict == Verdict(Word.PASS)
    assert not any(e.asked for e in bench.effects if isinstance(e, StageNow) and e.do is Do.CLOSE_VALVE)


def test_no_person_is_asked_about_a_valve_that_is_sensed_shut() -> None:
    """A unit that shows no pressure behind it is void: the transducer may be dead as well as the unit."""
    weak = Unit(free_flow=40 * LITRES_PER_HOUR, shutoff=0.0)  # the open line takes hardly any pressure at so little
    bench = with_sensor(Bench(weak, confirms_valve=False))
    run = begin(pump(PUMP_NEEDS[0], PUMP_NEEDS[3]), device=SENSING)
    drive(run, bench, 120.0)
    assert run.outcome is not None
    assert run.outcome.verdict == Verdict(Word.VOID, "shut, but no pressure")
    assert "confirm_needed" not in alarms(bench)


def test_a_sensed_valve_that_is_not_quite_open_is_not_open() -> None:
    """The signals take a valve for open as long as the open line's tolerance hides the rest."""
    bench = with_sensor(Bench(Unit(shutoff=5e3)))
    bench.hook = lambda b, r: (sensed(b, r), setattr(b, "aim", min(b.aim, 0.7)))[0]  # a stop that keeps it ajar
    run = begin(pump(), device=SENSING)
    drive(run, bench, 60.0)
    assert run.outcome is not None
    assert run.outcome.verdict.word is Word.VOID
    assert not [r for r in run.outcome.readings if r.stage == "free_flow"]


def test_a_word_against_the_sensor_settles_nothing() -> None:
    bench = Bench()
    bench.hook = lambda b, r: sensed(b, r, wrong=4_000 if r.stage == "free_flow" else None)
    run = begin(pump(), device=SENSING)
    drive(run, bench, 120.0)
    assert run.outcome is not None
    assert run.outcome.verdict == Verdict(Word.VOID, "valve not as confirmed")


def test_a_device_that_lost_its_sensor_knows_no_position() -> None:
    """A rest while nothing is sensed rests on a person's word again."""
    bench = Bench()
    bench.hook = lambda b, r: sensed(b, r, wrong=UNKNOWN_VALVE)
    run = begin(pump(), device=SENSING)
    drive(run, bench, 120.0)
    assert run.outcome is not None
    assert zero_note(bench).endswith("line confirmed")


# A stand that drives itself.


@pytest.mark.parametrize(("kind", "part"), [(Kind.PUMP, pump()), (Kind.MODULE, module())])
def test_a_driven_valve_that_had_its_time_is_open(kind: Kind, part: object) -> None:
    del kind
    bench = Bench(zero=2e3)
    run = Run(part, replace(STAND, drive=Drive(travel=4.0)), identity(), {})  # type: ignore[arg-type]
    drive(run, bench, 7.0)
    assert zero_note(bench).endswith("line told")


def test_a_driven_valve_that_still_moves_gives_no_zero() -> None:
    bench = Bench(zero=2e3, leaves=frozenset({Do.CONNECT}))
    bench.hook = lambda b, r: sensed(b, r, moving=b.t < 6.5)
    run = begin(pump(), replace(STAND, drive=Drive(travel=4.0)))
    drive(run, bench, 4.9)
    assert zero_note(bench) == ""


def test_a_driven_valve_that_is_sensed_elsewhere_does_not_obey() -> None:
    bench = Bench(leaves=frozenset({Do.CONNECT}))
    bench.hook = lambda b, r: sensed(b, r, wrong=0)
    run = begin(pump(), replace(STAND, drive=Drive(travel=4.0)), SENSING)
    drive(run, bench, 7.5)
    assert run.outcome is not None
    assert run.outcome.verdict == Verdict(Word.VOID, "valve does not obey")
    assert zero_note(bench) == ""
