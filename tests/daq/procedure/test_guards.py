"""Limits that end a run, one by one: when, and whether the unit or the stand is to blame."""

import math
from dataclasses import replace

import pytest

from daq.judge.requirement import Quantity
from daq.measure.convert import BITS, Column
from daq.measure.flow import Flow
from daq.measure.steps import Step
from daq.procedure.guards import INRUSH_S, Breach, Guards, Situation
from daq.procedure.plan import Limits
from daq.procedure.table import Valve
from tests.daq.measure.blocks import LITRES_PER_HOUR
from tests.daq.procedure.bench import module, pump

LIMITS = Limits(pressure=900e3, current=18.0, temperature=318.15, fill_s=30.0, no_flow_s=3.0)
SILENT = Flow(math.nan, 0.0, 2 * LITRES_PER_HOUR, silent=True)
FLOWING = Flow(3e-5, 3e-5, 3e-5)
STEP = Step(0, 0.0, 400e3, 13.5, 5.0, 295.0, 0.0, FLOWING, None, False, 0, 0, 0.0)
SHUT = replace(STEP, flow=SILENT)
HERE = Situation("free_flow", power=True, on_for=5.0, valve=Valve.OPEN, in_fluid=True)


def breach(step: Step = STEP, here: Situation = HERE, guards: Guards | None = None) -> Breach | None:
    return (guards or Guards(pump(), LIMITS)).feed(step, here)


def lasting(seconds: float, step: Step, here: Situation, guards: Guards | None = None) -> tuple[float, Breach] | None:
    """The first breach while nothing changes, and when it came."""
    guards = guards or Guards(pump(), LIMITS)
    for k in range(1, round(seconds / 0.05) + 1):
        found = guards.feed(replace(step, t=0.05 * k), here)
        if found is not None:
            return 0.05 * k, found
    return None


def test_all_is_well() -> None:
    assert lasting(60.0, STEP, HERE) is None


def test_with_power_off_nothing_is_watched() -> None:
    wild = replace(STEP, pressure=2e6, current=50.0, temperature=400.0)
    assert breach(wild, replace(HERE, power=False)) is None


# Current.


def test_over_current() -> None:
    found = breach(replace(STEP, current=18.3))
    assert found is not None
    assert (found.code, found.quantity, found.limit, found.reached) == ("over_current", Quantity.CURRENT, 18.0, 18.3)
    assert breach(replace(STEP, current=17.9)) is None


def test_inrush_is_no_over_current() -> None:
    rush = replace(STEP, current=30.0)
    assert breach(rush, replace(HERE, on_for=INRUSH_S - 0.01)) is None
    assert breach(rush, replace(HERE, on_for=INRUSH_S)) is not None


@pytest.mark.parametrize(
    ("change", "blamed"),
    [
        ({"voltage": 9.0}, True),  # it draws too much although the supply sags
        ({"voltage": 13.75}, True),
        ({"voltage": 13.9}, False),
        ({"faulty": BITS[Column.PRESSURE]}, False),
        ({"faulty": BITS[Column.VOLTAGE]}, False),
    ],
)
def test_over_current_is_held_against_the_unit_only_where_the_stand_is_sound(
    change: dict[str, float], blamed: bool
) -> None:
    found = breach(replace(STEP, current=25.0, **change))
    assert found is not None
    assert (found.quantity is Quantity.CURRENT) is blamed


def test_a_current_beyond_the_converter_counts() -> None:
    beyond = replace(STEP, current=16.0, faulty=BITS[Column.CURRENT], above=BITS[Column.CURRENT])
    found = breach(beyond)
    assert found is not None
    assert found.quantity is Quantity.CURRENT


SATURATED = replace(STEP, current=24.75, faulty=BITS[Column.CURRENT], above=BITS[Column.CURRENT])
DRY = replace(HERE, stage="dry_check", in_fluid=False, valve=None)


@pytest.mark.parametrize(
    "here", [replace(HERE, pumps=True), replace(HERE, disbelieved=BITS[Column.CURRENT]), replace(DRY, pumps=True)]
)
def test_a_current_beyond_the_converter_on_a_unit_that_pumps_is_the_channels(here: Situation) -> None:
    found = breach(SATURATED, here)
    assert found is not None
    assert (found.code, found.why, found.quantity) == ("over_current", "current faulty", None)


def test_within_its_span_it_counts_although_the_unit_pumps() -> None:
    found = breach(replace(STEP, current=18.3), replace(HERE, pumps=True))
    assert found is not None
    assert found.quantity is Quantity.CURRENT


def test_in_the_air_a_unit_that_ran_first_is_not_blamed_and_one_that_never_did_is() -> None:
    guards = Guards(pump(), LIMITS)
    assert guards.feed(STEP, DRY) is None
    ran = guards.feed(SATURATED, DRY)
    assert ran is not None
    assert ran.quantity is None
    guards.feed(STEP, replace(DRY, power=False))
    anew = guards.feed(SATURATED, DRY)
    assert anew is not None
    assert anew.quantity is Quantity.CURRENT


def test_a_disturbance_of_a_few_samples_is_no_over_current() -> None:
    """The mean stays where it was although some samples met the converter's end."""
    assert breach(replace(STEP, current=6.5, faulty=BITS[Column.CURRENT], above=BITS[Column.CURRENT])) is None


# Pressure and heat.


def test_over_pressure() -> None:
    found = breach(replace(STEP, pressure=901e3))
    assert found is not None
    assert (found.quantity, found.limit, found.reached) == (Quantity.PRESSURE, 900e3, 901e3)


@pytest.mark.parametrize("change", [{"voltage": 13.9}, {"faulty": BITS[Column.PRESSURE]}])
def test_over_pressure_that_the_stand_explains_still_ends_the_run(change: dict[str, float]) -> None:
    """A transducer beyond its span is faulty; the pressure that took it there is no smaller for it."""
    found = breach(replace(STEP, pressure=1.1e6, **change))
    assert found is not None
    assert (found.code, found.quantity) == ("over_pressure", None)


def test_a_transducer_beyond_its_span_is_told_as_such() -> None:
    bit = BITS[Column.PRESSURE]
    found = breach(replace(STEP, pressure=1.1e6, faulty=bit, above=bit))
    assert found is not None
    assert (found.code, found.why, found.quantity) == ("over_pressure", "pressure out of span", None)


def test_hot_fluid() -> None:
    found = breach(replace(STEP, temperature=318.2))
    assert found is not None
    assert (found.code, found.quantity) == ("fluid_hot", None)


@pytest.mark.parametrize(
    "change", [{"temperature": math.nan}, {"temperature": 400.0, "faulty": BITS[Column.TEMPERATURE]}]
)
def test_no_thermometer_and_a_broken_one_are_not_hot(change: dict[str, float]) -> None:
    assert breach(replace(STEP, **change)) is None


# Durations.


def test_dry_running_adds_up() -> None:
    guards, dry = Guards(pump(), LIMITS), replace(HERE, stage="dry_check", in_fluid=False, valve=None)
    assert lasting(1.5, STEP, dry, guards) is None
    for k in range(100):  # power off for five seconds
        guards.feed(replace(STEP, t=1.5 + 0.05 * k), replace(dry, power=False))
    found = None
    for k in range(1, 12):
        found = found or guards.feed(replace(STEP, t=6.45 + 0.05 * k), dry)
    assert found is not None
    assert (found.code, found.quantity) == ("dry_running", None)


def test_dry_running_lasts_as_long_as_the_part_may() -> None:
    dry = replace(HERE, stage="dry_check", in_fluid=False)
    for seconds in (1.0, 3.0):
        caught = lasting(5.0, STEP, dry, Guards(pump(dry_check_s=seconds), LIMITS))
        assert caught is not None
        assert caught[0] == pytest.approx(seconds + 0.05, abs=0.051)


def test_time_at_shutoff() -> None:
    caught = lasting(20.0, SHUT, replace(HERE, stage="shutoff", valve=Valve.SHUT))
    assert caught is not None
    assert caught[0] == pytest.approx(6.05, abs=0.06)  # the part's 6 s
    assert (caught[1].code, caught[1].quantity) == ("shutoff_long", None)


@pytest.mark.parametrize(("stage", "ends"), [("throttle", True), ("shutoff", True), ("fill", False), ("reopen", False)])
def test_without_a_pressure_no_flow_counts_as_shut_where_the_valve_is_being_shut(stage: str, ends: bool) -> None:
    blind = replace(SHUT, faulty=BITS[Column.PRESSURE])
    caught = lasting(20.0, blind, replace(HERE, stage=stage, valve=None))
    assert (caught is not None and caught[1].code == "shutoff_long") is ends
    assert lasting(20.0, replace(blind, flow=FLOWING), replace(HERE, stage=stage, valve=None)) is None


def test_the_shutoff_limit_does_not_run_while_a_module_fills() -> None:
    filling = replace(HERE, stage="fill", valve=Valve.SHUT, filling_for=3.0)
    assert lasting(20.0, SHUT, filling, Guards(module(), LIMITS)) is None


def test_opening_the_valve_starts_the_time_at_shutoff_anew() -> None:
    guards, shut = Guards(pump(), LIMITS), replace(HERE, stage="shutoff", valve=Valve.SHUT)
    assert lasting(5.0, SHUT, shut, guards) is None
    guards.feed(replace(SHUT, t=5.05), replace(shut, valve=Valve.BETWEEN))
    assert guards.feed(replace(SHUT, t=6.5), shut) is None


FILLING = replace(HERE, stage="fill", valve=Valve.SHUT, filling_for=10.1)


def test_a_module_that_does_not_fill() -> None:
    guards = Guards(module(), LIMITS)  # whose part allows 10 s
    assert breach(STEP, replace(FILLING, filling_for=9.9), guards) is None
    found = breach(STEP, FILLING, guards)
    assert found is not None
    assert (found.quantity, found.limit, found.reached) == (Quantity.FILL_TIME, 10.0, 10.1)


def test_without_a_limit_of_the_part_the_stands_counts() -> None:
    guards = Guards(module(fill_limit_s=None), LIMITS)
    assert breach(STEP, replace(FILLING, filling_for=29.0), guards) is None
    found = breach(STEP, replace(FILLING, filling_for=30.1), guards)
    assert found is not None
    assert found.limit == 30.0


@pytest.mark.parametrize(
    ("change", "unfit"), [({}, "supply low"), ({}, "supply high"), ({"faulty": BITS[Column.PRESSURE]}, "")]
)
def test_a_module_that_could_not_fill_is_not_blamed(change: dict[str, int], unfit: str) -> None:
    found = breach(replace(STEP, **change), replace(FILLING, fill_unfit=unfit), Guards(module(), LIMITS))
    assert found is not None
    assert (found.code, found.quantity) == ("no_fill", None)
    assert unfit in found.why


def test_inrush_of_a_second_switching_on_while_filling() -> None:
    again = replace(FILLING, filling_for=8.0, on_for=0.1)
    assert breach(replace(STEP, current=30.0), again, Guards(module(), LIMITS)) is None


def test_no_flow_with_the_valve_open() -> None:
    caught = lasting(10.0, replace(STEP, flow=SILENT, pressure=0.0), HERE)
    assert caught is not None
    assert caught[0] == pytest.approx(3.05, abs=0.06)
    assert (caught[1].quantity, caught[1].limit) == (Quantity.FLOW, SILENT.high)


@pytest.mark.parametrize("change", [{"voltage": 9.0}, {"voltage": 14.0}, {"faulty": BITS[Column.PRESSURE]}])
def test_no_flow_ends_but_is_not_held_against_a_unit_that_could_not(change: dict[str, object]) -> None:
    """A unit runs dry under any supply; only for so long as the stand was fit does it prove something of the unit."""
    here = HERE if "faulty" not in change else replace(HERE, valve=None)
    caught = lasting(10.0, replace(replace(STEP, flow=SILENT, pressure=0.0), **change), here)  # type: ignore[arg-type]
    assert caught is not None
    assert caught[0] == pytest.approx(3.05, abs=0.06)
    assert (caught[1].code, caught[1].quantity) == ("no_flow", None)


def test_a_supply_that_sagged_for_a_part_of_the_time_holds_nothing_against_the_unit() -> None:
    guards, dry = Guards(pump(), LIMITS), replace(STEP, flow=SILENT, pressure=0.0)
    assert lasting(1.0, replace(dry, voltage=9.0), HERE, guards) is None
    later = (guards.feed(replace(dry, t=1.0 + 0.05 * k), HERE) for k in range(1, 100))
    found = next(b for b in later if b is not None)
    assert (found.code, found.quantity) == ("no_flow", None)


def test_flow_is_no_lack_of_it() -> None:
    assert lasting(10.0, replace(STEP, pressure=0.0), HERE) is None


def test_no_flow_is_counted_from_the_last_pulse() -> None:
    """The meter is silent only a while after it; the unit is dry from there on."""
    guards, dry = Guards(pump(), LIMITS), replace(STEP, flow=SILENT, pressure=0.0)
    for k in range(1, 41):  # flowing for 2 s, the last pulse at 1 s
        assert guards.feed(replace(STEP, t=0.05 * k, edges=min(k, 20)), HERE) is None
    ended = (0.05 * k for k in range(41, 200) if guards.feed(replace(dry, t=0.05 * k, edges=20), HERE) is not None)
    assert next(ended) == pytest.approx(1.0 + LIMITS.no_flow_s, abs=0.11)


def test_a_valve_that_was_shut_until_now_gives_a_unit_its_time() -> None:
    """What did not flow past a shut valve is no lack of flow."""
    guards = Guards(pump(), LIMITS)
    assert lasting(10.0, SHUT, replace(HERE, valve=Valve.BETWEEN), guards) is None
    dry = replace(STEP, flow=SILENT, pressure=0.0, edges=0)
    ended = (0.05 * k for k in range(1, 200) if guards.feed(replace(dry, t=10.0 + 0.05 * k), HERE) is not None)
    assert next(ended) == pytest.approx(3.05, abs=0.06)


@pytest.mark.parametrize(
    "here", [replace(HERE, stage="shutoff", valve=Valve.BETWEEN), replace(HERE, valve=Valve.BETWEEN)]
)
def test_no_flow_elsewhere_is_as_it_should_be(here: Situation) -> None:
    assert lasting(10.0, replace(STEP, flow=SILENT), here) is None


def test_what_people_read() -> None:
    """A reason that fits a line controller, and what to do."""
    found = [
        breach(replace(STEP, current=25.0)),
        breach(replace(STEP, pressure=1e6)),
        breach(replace(STEP, temperature=330.0)),
        breach(STEP, FILLING, Guards(module(), LIMITS)),
    ]
    for each in found:
        assert each is not None
        assert 0 < len(each.why) <= 24
        assert each.do.startswith("switch off")


@pytest.mark.parametrize(
    ("at", "beyond", "code"),
    [
        ({"pressure": 900e3}, {"pressure": 900e3 + 1e-3}, "over_pressure"),
        ({"current": 18.0}, {"current": 18.0 + 1e-6}, "over_current"),
        ({"temperature": 318.15}, {"temperature": 318.16}, "fluid_hot"),
    ],
)
def test_a_limit_may_be_reached_and_not_passed(at: dict[str, float], beyond: dict[str, float], code: str) -> None:
    assert breach(replace(STEP, **at)) is None  # type: ignore[arg-type]
    found = breach(replace(STEP, **beyond))  # type: ignore[arg-type]
    assert found is not None
    assert found.code == code


@pytest.mark.parametrize(
    ("faulty", "above", "why"),
    [
        (0, 0, "over-pressure"),
        (BITS[Column.PRESSURE], BITS[Column.PRESSURE], "pressure out of span"),
        (BITS[Column.PRESSURE], 0, "over-pressure"),
        (BITS[Column.PRESSURE], BITS[Column.CURRENT], "over-pressure"),
    ],
)
def test_pressure_beyond_the_limit_and_beyond_the_span(faulty: int, above: int, why: str) -> None:
    found = breach(replace(STEP, pressure=950e3, faulty=faulty, above=above))
    assert found is not None
    assert (found.code, found.why, found.quantity is None) == ("over_pressure", why, bool(faulty))
