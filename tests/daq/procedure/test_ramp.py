"""The ramp of a driven valve: how quickly, how far, and when not at all."""

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.measure.convert import BITS, Column
from daq.measure.flow import UNKNOWN, Flow
from daq.measure.steps import STEP_S, Step
from daq.procedure.plan import Drive
from daq.procedure.ramp import Ramp
from tests.daq.procedure.pipes import (
    DISPLACEMENT,
    LITRES_PER_HOUR,
    OPENINGS,
    REGULATED,
    STICKING,
    TURBINE,
    WEAK,
    Made,
    Pipe,
    step_of,
)

DRIVE = Drive(travel=4.0)
SEATED = [kind for kind in OPENINGS if kind != "equal shares"]
LATE_BY = 1.15
"""What noise and delay add to the permitted rate at most, over 0.15 s."""


@dataclass(slots=True)
class Way:
    """Where the valve was told to be, and what pressure did, step by step."""

    positions: list[float]
    pressures: list[float]

    def quickest(self) -> float:
        """The quickest change of pressure, Pa/s, over three steps."""
        p = self.pressures
        return max(abs(b - a) / (3.0 * STEP_S) for a, b in zip(p, p[3:], strict=False))

    @property
    def seconds(self) -> float:
        return STEP_S * len(self.positions)


def travel(pipe: Pipe, ramp: Ramp, call: Callable[[Step], float], done: Callable[[], bool], limit: float = 60.0) -> Way:
    way = Way([ramp.position], [pipe.pressure])
    while not done() and way.seconds < limit:
        step = pipe.step(ramp.position)
        way.positions.append(call(step))
        way.pressures.append(pipe.pressure)
    return way


def running(made: Made, opening: str = "needle", actuator: float = 4.0, *, shut: bool = False) -> tuple[Pipe, Ramp]:
    at = 0.0 if shut else 1.0
    pipe = Pipe(made, opening, actuator=actuator, travel=at)
    pipe.wait(1.0, at)
    return pipe, Ramp(replace(DRIVE, travel=max(DRIVE.travel, actuator)), at)


def closed(pipe: Pipe, ramp: Ramp) -> Way:
    return travel(pipe, ramp, ramp.close, lambda: ramp.shut)


def opened(pipe: Pipe, ramp: Ramp) -> Way:
    return travel(pipe, ramp, ramp.open, lambda: ramp.opened)


def held(pipe: Pipe, ramp: Ramp, pressure: float, limit: float = 40.0) -> Way:
    return travel(pipe, ramp, lambda s: ramp.hold(s, pressure), lambda: ramp.settled, limit)


# Closing and opening a running unit.


@pytest.mark.parametrize("opening", SEATED)
@pytest.mark.parametrize("made", [TURBINE, DISPLACEMENT, WEAK, REGULATED], ids=["turbine", "displ", "weak", "module"])
def test_pressure_rises_and_falls_no_quicker_than_permitted(made: Made, opening: str) -> None:
    pipe, ramp = running(made, opening)
    way = closed(pipe, ramp)
    assert ramp.shut
    assert way.quickest() <= LATE_BY * DRIVE.pressure_rate
    assert way.seconds < 20.0
    settled = pipe.wait(4.0, 0.0)[-1].pressure
    assert max(way.pressures) - settled <= DRIVE.overshoot
    back = opened(pipe, ramp)
    assert ramp.opened
    assert back.quickest() <= LATE_BY * DRIVE.pressure_rate
    assert back.seconds < 25.0


@pytest.mark.parametrize("actuator", [1.0, 8.0])
def test_neither_a_quick_actuator_nor_a_slow_one_takes_pressure_along(actuator: float) -> None:
    pipe, ramp = running(DISPLACEMENT, actuator=actuator)
    assert closed(pipe, ramp).quickest() <= LATE_BY * DRIVE.pressure_rate


def test_a_pressure_that_scatters_as_on_a_pulsating_pump_leads_to_no_haste() -> None:
    """Samples of real rigs scatter by up to 1.7 % of the reading on pulsating pumps, 25 of them in a step's mean."""
    pipe, ramp = Pipe(DISPLACEMENT, noise=0.017 / 5.0), Ramp(DRIVE)
    pipe.wait(1.0, 1.0)
    way = closed(pipe, ramp)
    assert way.quickest() <= 1.3 * DRIVE.pressure_rate
    assert way.seconds < 20.0


@pytest.mark.parametrize("opening", SEATED)
def test_an_actuator_a_little_slower_than_stated_does_no_harm(opening: str) -> None:
    pipe, _ = running(DISPLACEMENT, opening, actuator=1.2 * DRIVE.travel)
    assert closed(pipe, Ramp(DRIVE)).quickest() <= LATE_BY * DRIVE.pressure_rate


def test_an_even_ramp_of_the_same_length_would_be_far_too_quick() -> None:
    pipe, ramp = running(DISPLACEMENT)
    seconds = closed(pipe, ramp).seconds
    pipe, ramp = running(DISPLACEMENT)
    way = travel(pipe, ramp, lambda s: ramp.go(s, 1.0 - s.t / seconds), lambda: ramp.shut)
    assert way.quickest() > 2.0 * DRIVE.pressure_rate


def test_a_relief_valve_that_opens_late_is_overshot_by_what_is_allowed_at_most() -> None:
    pipe, ramp = running(STICKING)
    way = closed(pipe, ramp)
    assert max(way.pressures) - pipe.wait(4.0, 0.0)[-1].pressure <= DRIVE.overshoot
    pipe, ramp = running(STICKING)
    way = travel(pipe, ramp, lambda s: ramp.go(s, 0.0), lambda: pipe.travel == 0.0)
    assert max(way.pressures) - pipe.wait(4.0, 0.0)[-1].pressure > 2.0 * DRIVE.overshoot


def test_less_overshoot_is_bought_with_time() -> None:
    pipe, ramp = running(STICKING)
    quick = closed(pipe, ramp)
    pipe, _ = running(STICKING)
    slow = closed(pipe, Ramp(replace(DRIVE, overshoot=8e3)))
    settled = pipe.wait(4.0, 0.0)[-1].pressure
    assert max(slow.pressures) - settled <= 8e3 < max(quick.pressures) - settled
    assert slow.seconds > 1.2 * quick.seconds


def test_a_module_opens_first_without_having_closed() -> None:
    pipe, ramp = running(REGULATED, shut=True)
    way = opened(pipe, ramp)
    assert ramp.opened
    assert way.quickest() <= 1.5 * DRIVE.pressure_rate
    assert way.seconds < 20.0


def test_a_valve_without_a_seat_is_not_opened_for_ever() -> None:
    pipe, ramp = running(REGULATED, "equal shares", shut=True)
    way = opened(pipe, ramp)
    assert way.seconds < 28.0
    assert way.quickest() <= LATE_BY * DRIVE.pressure_rate


def test_without_pressure_the_valve_takes_its_travel_and_a_start() -> None:
    ramp = Ramp(DRIVE)
    steps = (step_of(k, k * STEP_S, 0.0, 0.0) for k in range(1000))
    assert DRIVE.travel < STEP_S * sum(1 for _ in takewhile_open(ramp, steps)) < DRIVE.travel + 2.0


def takewhile_open(ramp: Ramp, steps: Iterable[Step]) -> Iterable[float]:
    for step in steps:
        if ramp.shut:
            return
        yield ramp.close(step)


def test_without_power_the_valve_goes_at_full_speed() -> None:
    ramp = Ramp(DRIVE)
    positions = [ramp.go(step_of(k, k * STEP_S, math.nan, 0.0), 0.0) for k in range(82)]
    assert positions[0] == 1.0
    assert positions[40] == pytest.approx(0.5)
    assert positions[80] == pytest.approx(0.0, abs=1e-9)
    assert positions[81] == 0.0


# Holding a pressure.


@pytest.mark.parametrize("opening", SEATED)
@pytest.mark.parametrize(
    ("made", "pressure"),
    [(TURBINE, 400e3), (DISPLACEMENT, 300e3), (WEAK, 300e3), (REGULATED, 390e3)],
    ids=["turbine", "displ", "weak", "module"],
)
def test_a_pressure_is_held_from_below_and_from_above(made: Made, pressure: float, opening: str) -> None:
    near = max(0.005 * pressure, 1e3)
    pipe, ramp = running(made, opening)
    way = held(pipe, ramp, pressure)
    assert ramp.settled
    assert max(way.pressures) < pressure + 2.0 * near
    after = [pipe.step(ramp.hold(step, pressure)) for step in pipe.wait(1.5, ramp.position)]
    assert sum(s.pressure for s in after) / len(after) == pytest.approx(pressure, abs=1.5 * near)
    closed(pipe, ramp)
    pipe.wait(1.0, 0.0)
    way = held(pipe, ramp, pressure)
    assert ramp.settled
    assert min(way.pressures) > pressure - 2.0 * near


def test_a_valve_that_holds_stands_still() -> None:
    pipe, ramp = running(TURBINE)
    held(pipe, ramp, 400e3)
    at = ramp.position
    for _ in range(100):
        ramp.hold(pipe.step(ramp.position), 400e3)
    assert ramp.settled
    assert ramp.position == at


def test_a_pressure_counts_as_held_only_once_the_valve_has_stood() -> None:
    pipe, ramp = running(TURBINE)
    way = held(pipe, ramp, 400e3)
    assert len(set(way.positions[-round(1.0 / STEP_S) :])) == 1


def test_a_pressure_far_off_is_neared_anew_and_not_trimmed_for_ever() -> None:
    pipe, ramp = running(TURBINE)
    held(pipe, ramp, 400e3)
    pipe.made = replace(TURBINE, free_flow=0.7 * TURBINE.free_flow)
    pipe.wait(1.0, ramp.position)
    assert pipe.pressure < 300e3
    way = travel(pipe, ramp, lambda s: ramp.hold(s, 400e3), lambda: ramp.settled and pipe.pressure > 390e3)
    assert way.seconds < 8.0
    assert way.quickest() <= LATE_BY * DRIVE.pressure_rate


def test_a_pressure_that_wanders_off_is_found_again() -> None:
    pipe, ramp = running(TURBINE)
    held(pipe, ramp, 400e3)
    pipe.made = replace(TURBINE, free_flow=0.97 * TURBINE.free_flow)
    pipe.wait(1.0, ramp.position)
    assert pipe.pressure < 390e3
    settled = [ramp.hold(pipe.step(ramp.position), 400e3) < 1.0 and ramp.settled for _ in range(300)]
    assert not all(settled)
    assert ramp.settled
    assert pipe.pressure == pytest.approx(400e3, rel=0.01)


def test_a_pressure_that_the_unit_cannot_give_ends_at_the_ends_of_the_travel() -> None:
    pipe, ramp = running(WEAK)
    held(pipe, ramp, 700e3)
    assert ramp.shut
    assert not ramp.settled
    held(pipe, ramp, 2e3)
    assert ramp.opened
    assert not ramp.settled


def test_another_pressure_is_another_task() -> None:
    pipe, ramp = running(TURBINE)
    held(pipe, ramp, 300e3)
    assert ramp.settled
    ramp.hold(pipe.step(ramp.position), 400e3)
    assert not ramp.settled
    held(pipe, ramp, 400e3)
    assert pipe.pressure == pytest.approx(400e3, rel=0.01)
    ramp.close(pipe.step(ramp.position))
    assert not ramp.settled


# What cannot be believed.

SPOILT = {
    "pressure faulty": lambda s: replace(s, faulty=BITS[Column.PRESSURE]),
    "pressure not a number": lambda s: replace(s, pressure=math.nan),
    "pressure beyond all": lambda s: replace(s, pressure=math.inf),
    "flow not a number": lambda s: replace(s, flow=Flow(math.nan, math.nan, math.nan)),
}
CALLS: dict[str, Callable[[Ramp, Step], float]] = {
    "close": Ramp.close,
    "open": Ramp.open,
    "hold": lambda r, s: r.hold(s, 300e3),
}


@pytest.mark.parametrize("call", CALLS)
@pytest.mark.parametrize("spoilt", SPOILT)
def test_what_cannot_be_believed_moves_no_valve(spoilt: str, call: str) -> None:
    pipe, ramp = running(TURBINE)
    for _ in range(60):
        ramp.close(pipe.step(ramp.position))
    at = ramp.position
    assert 0.2 < at < 0.9
    for _ in range(20):
        assert CALLS[call](ramp, SPOILT[spoilt](pipe.step(ramp.position))) == at
    assert not ramp.settled
    for _ in range(20):
        CALLS[call](ramp, pipe.step(ramp.position))
    assert ramp.position != at


def test_a_flow_above_the_meters_table_is_no_reason_to_stand() -> None:
    ramp = Ramp(DRIVE)
    for k in range(40):
        ramp.close(replace(step_of(k, k * STEP_S, 10e3, 0.0), flow=UNKNOWN))
    assert ramp.position < 0.9


def test_after_a_gap_in_the_steps_the_valve_begins_slowly_anew() -> None:
    pipe, ramp = running(TURBINE)
    for _ in range(40):
        ramp.close(pipe.step(ramp.position))
    at = ramp.position
    pipe.wait(5.0, at)
    for _ in range(7):
        assert ramp.close(pipe.step(ramp.position)) == at
    first = at - ramp.close(pipe.step(ramp.position))
    assert 0.0 < first < 0.1 * STEP_S / DRIVE.travel


numbers = st.one_of(st.floats(-1e5, 2e6), st.sampled_from([math.nan, math.inf, -math.inf]))
flows = st.builds(Flow, numbers, numbers, numbers, st.booleans())
shown = st.builds(
    lambda gap, pressure, flow, faulty: (gap, replace(step_of(0, 0.0, pressure, 0.0, faulty=faulty), flow=flow)),
    st.one_of(st.just(STEP_S), st.sampled_from([0.0, 0.1, 0.5, 10.0, math.nan, -0.05])),
    numbers,
    flows,
    st.integers(0, 3),
)
calls = st.sampled_from(["close", "open", "hold", "go"])
smooth = st.lists(st.floats(-5e3, 5e3), min_size=30, max_size=120)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(shown, calls), max_size=80), st.floats(0.0, 1.0), st.floats(0.5, 20.0))
def test_nothing_shown_takes_the_valve_beyond_its_ends_or_its_speed(
    told: list[tuple[tuple[float, Step], str]], position: float, seconds: float
) -> None:
    ramp, t = Ramp(replace(DRIVE, travel=seconds), position), 0.0
    for (gap, step), call in told:
        before, t = ramp.position, t + gap
        now = replace(step, t=t)
        after = ramp.go(now, 0.3) if call == "go" else CALLS[call](ramp, now)
        t = 0.0 if math.isnan(t) else t
        assert after == ramp.position
        assert 0.0 <= after <= 1.0
        assert abs(after - before) <= max(0.125, STEP_S) / seconds + 1e-12
        if call != "go" and not (math.isfinite(step.pressure) and step.faulty % 2 == 0):
            assert after == before


@settings(max_examples=60, deadline=None)
@given(smooth, st.sampled_from(["close", "open"]), st.floats(0.0, 1.0))
def test_closing_only_closes_and_opening_only_opens(rises: list[float], call: str, position: float) -> None:
    ramp, pressure = Ramp(DRIVE, position), 100e3
    for k, rise in enumerate(rises):
        before, pressure = ramp.position, max(0.0, pressure + rise)
        after = CALLS[call](ramp, step_of(k, k * STEP_S, pressure, 80 * LITRES_PER_HOUR))
        assert after <= before if call == "close" else after >= before


@settings(max_examples=30, deadline=None)
@given(smooth)
def test_a_pressure_that_rises_too_quickly_stops_the_valve(rises: list[float]) -> None:
    """At 1.5 times what was wanted it stands, whatever led to it."""
    ramp, pressure = Ramp(DRIVE), 100e3
    for k, rise in enumerate(rises):
        pressure = max(0.0, pressure + rise)
        ramp.close(step_of(k, k * STEP_S, pressure, 80 * LITRES_PER_HOUR))
    for k in range(len(rises), len(rises) + 12):
        pressure += 1.6 * DRIVE.pressure_rate * STEP_S
        before = ramp.position
        ramp.close(step_of(k, k * STEP_S, pressure, 80 * LITRES_PER_HOUR))
    assert ramp.position == before
