"""The book of a run: which readings a requirement means, and what a limit that was passed proves."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.judge.finding import Result
from daq.judge.requirement import Quantity, Requirement
from daq.measure.reading import SUPPLY_CORRECTION, Reading
from daq.measure.uncertainty import Component, Shape, combine
from daq.procedure.findings import LOW_FLAG, Book, supply_of
from daq.procedure.guards import Breach
from daq.procedure.plan import Principle, Sensitivity
from daq.procedure.table import sequence
from tests.daq.measure.blocks import LITRES_PER_HOUR
from tests.daq.procedure.bench import module, pump

PART = pump()
DOUBT = combine([Component("all", Shape.NORMAL, 0.02)])


def book() -> Book:
    return Book(PART, sequence(PART.kind, dry_check=True))


def current(amperes: float, stage: str = "free_flow", *flags: str) -> Reading:
    return Reading("current", stage, amperes, amperes, amperes, DOUBT, 40, 40.0, (1.0, 2.0), flags=flags)


def results(made: Book) -> dict[str, Result]:
    return {f"{f.stage}: {f.requirement.name}": f.result for f in made.findings()}


def test_at_first_everything_is_void() -> None:
    assert set(results(book()).values()) == {Result.VOID}
    assert len(book().findings()) == 6  # two of the requirements mean both free flows


def test_a_reading_serves_its_own_stage_only() -> None:
    made = book()
    taken = made.take(current(5.0, "free_flow.2"))
    assert [f.requirement.name for f in taken] == ["current, free flow"]
    assert results(made)["free_flow.2: current, free flow"] is Result.MET
    assert results(made)["free_flow: current, free flow"] is Result.VOID


def test_the_newest_look_counts() -> None:
    made = book()
    made.take(current(7.5))
    made.take(current(6.5))
    assert results(made)["free_flow: current, free flow"] is Result.MET
    assert len(made.readings()) == 1


@pytest.mark.parametrize(("amperes", "result"), [(5.0, Result.VOID), (7.0, Result.VOID), (8.0, Result.NOT_MET)])
def test_under_a_low_supply_only_too_much_current_stands(amperes: float, result: Result) -> None:
    made = book()
    made.take(current(amperes, "free_flow", LOW_FLAG))
    assert results(made)["free_flow: current, free flow"] is result


@pytest.mark.parametrize(("flowed", "result"), [(6.6, Result.VOID), (7.6, Result.NOT_MET)])
def test_a_correction_to_the_test_voltage_fails_nobody(flowed: float, result: Result) -> None:
    """A voltage that falls in its channel alone seemed low, and 6.6 A were made 8 A of."""
    made = book()
    made.take(replace(current(8.0, "free_flow", LOW_FLAG), corrections=((SUPPLY_CORRECTION, 8.0 - flowed),)))
    assert results(made)["free_flow: current, free flow"] is result


def test_too_much_of_anything_else_under_a_low_supply_is_void() -> None:
    part = module()
    made = Book(part, sequence(part.kind, dry_check=False))
    made.take(replace(current(60.0, "fill", LOW_FLAG), quantity="fill_time"))
    assert results(made)["fill: fills"] is Result.VOID


@pytest.mark.parametrize(("sagging", "result"), [(5.0, Result.NOT_MET), (9.0, Result.NOT_MET)])
def test_a_sound_reading_is_not_displaced_by_one_under_a_low_supply(sagging: float, result: Result) -> None:
    made = book()
    made.take(current(7.5))
    taken = made.take(current(sagging, "free_flow", LOW_FLAG))
    assert bool(taken) is (sagging > 7.0)
    assert results(made)["free_flow: current, free flow"] is result


def breach(quantity: Quantity | None, limit: float, reached: float) -> Breach:
    return Breach("a_code", "why", "do", quantity, limit, reached)


def test_a_limit_that_was_passed_proves_a_requirement_not_met() -> None:
    made = book()
    assert made.breach(breach(Quantity.CURRENT, 18.0, 19.0), "free_flow", 7.0) is None
    finding = made.of_stage("free_flow")[1]
    assert finding.result is Result.NOT_MET
    assert finding.reading is not None
    assert (finding.reading.low, finding.reading.window) == (19.0, (7.0, 7.0))


def test_where_nothing_was_required_the_limit_itself_is_not_met() -> None:
    made = book()
    finding = made.breach(breach(Quantity.PRESSURE, 950e3, 951e3), "shutoff", 7.0)
    assert finding is not None
    assert (finding.requirement.name, finding.result) == ("limit pressure", Result.NOT_MET)
    assert made.findings()[-1] is finding
    assert finding.reading in made.readings()


def test_a_trip_without_samples_shows_at_least_more_than_the_limit() -> None:
    finding = book().breach(breach(Quantity.PRESSURE, 950e3, 0.0), "shutoff", 7.0)
    assert finding is not None
    assert finding.reading is not None
    assert finding.reading.low == math.nextafter(950e3, math.inf)
    assert finding.result is Result.NOT_MET


def test_a_breach_by_the_stand_finds_nothing() -> None:
    made = book()
    assert made.breach(breach(None, math.nan, 0.0), "shutoff", 7.0) is None
    assert made.readings() == ()


def test_no_flow_is_an_interval_from_zero() -> None:
    made = book()
    made.breach(breach(Quantity.FLOW, 2 * LITRES_PER_HOUR, 0.0), "free_flow", 7.0)
    assert results(made)["free_flow: free flow"] is Result.NOT_MET
    (reading,) = made.readings()
    assert (reading.low, reading.high, reading.is_interval) == (0.0, 2 * LITRES_PER_HOUR, True)


def test_readings_come_in_the_order_of_their_stages() -> None:
    made = book()
    for stage in ("free_flow.2", "dry_check", "free_flow"):
        made.take(current(5.0, stage))
    assert [r.stage for r in made.readings()] == ["dry_check", "free_flow", "free_flow.2"]


def test_how_a_part_follows_its_supply() -> None:
    part = pump(principle=Principle.DISPLACEMENT, sensitivity={"flow": Sensitivity(2e-6, 1e-7)})
    supply = supply_of(part)
    assert (supply.test_voltage, supply.turbine, supply.stated) == (13.5, False, {"flow": (2e-6, 1e-7)})


def test_a_requirement_on_a_stage_that_the_run_has_not_is_void() -> None:
    part = pump(Requirement("turns", Quantity.CURRENT, "dry_check", at_least=0.3), dry_check_s=None)
    (finding,) = Book(part, sequence(part.kind, dry_check=False)).findings()
    assert (finding.stage, finding.result, finding.reading) == ("dry_check", Result.VOID, None)


def test_a_stage_that_the_run_has_not_is_void_by_its_own_requirement() -> None:
    asked = Requirement("fills", Quantity.FILL_TIME, "fill", at_most=10.0)
    made = Book(pump(asked), sequence(PART.kind, dry_check=True))
    [found] = made.findings()
    assert (found.requirement, found.stage, found.result, found.reading) == (asked, "fill", Result.VOID, None)


def test_a_reading_under_a_low_supply_is_kept_although_it_counts_for_nothing() -> None:
    made = book()
    sagging = current(5.0, "free_flow", LOW_FLAG)
    [found] = made.take(sagging)
    assert (found.result, found.reading) == (Result.VOID, sagging)
    assert made.readings() == (sagging,)


LEAST = 110.0
FLOWS = st.floats(60.0, 160.0)


def flowed(first: float, second: float | None, guard: float = 1.0) -> Book:
    """A book of two free flows in L/h, each ± 1.96 L/h; `second`: None while there is none."""
    need = Requirement("least", Quantity.FLOW, "free_flow", at_least=LEAST * LITRES_PER_HOUR, guard=guard)
    part = replace(PART, requirements=(need,))
    made, doubt = (
        Book(part, sequence(part.kind, dry_check=False)),
        combine([Component("all", Shape.NORMAL, LITRES_PER_HOUR)]),
    )
    for stage, litres in (("free_flow", first), ("free_flow.2", second)):
        if litres is not None:
            value = litres * LITRES_PER_HOUR
            made.take(Reading("flow", stage, value, value, value, doubt, 40, 40.0, (1.0, 2.0)))
    return made


@given(FLOWS, FLOWS, st.sampled_from([0.0, 0.5, 1.0, 1.5]))
def test_too_little_flow_that_is_enough_later_fails_nobody_and_nothing_else_changes(
    first: float, second: float, guard: float
) -> None:
    made, off = flowed(first, second, guard), 1.96 * max(guard, 1.0)
    plain = [f.result for stage in ("free_flow", "free_flow.2") for f in made.of_stage(stage)]
    found = [f.result for f in made.findings()]
    if first < LEAST - off - 0.01 and second > LEAST + off + 0.01:
        assert found == [Result.VOID, Result.MET]
    elif first > LEAST - off + 0.01 or second < LEAST + off - 0.01:
        assert found == plain


def test_too_little_flow_counts_unless_the_second_free_flow_never_stood_still() -> None:
    made = flowed(80.0, None)
    assert [f.result for f in made.findings()] == [Result.NOT_MET, Result.VOID]
    made.restless = "free_flow.2"
    assert [f.result for f in made.findings()] == [Result.VOID, Result.VOID]
    made.restless = "shutoff"
    assert made.findings()[0].result is Result.NOT_MET


def test_flow_that_is_lost_later_fails() -> None:
    assert [f.result for f in flowed(130.0, 80.0).findings()] == [Result.MET, Result.NOT_MET]
