"""The pressure–flow curve: on paper, where the truth is known exactly, and against the simulated unit at rest."""

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.measure.convert import Floats
from daq.measure.curve import DIRECTION, HOSE, ROTOR, At, Curve, End, curve_of
from daq.measure.curve import LAG as METER_LAG
from daq.measure.curve_points import Sweep
from daq.measure.errors import CurveError
from daq.measure.uncertainty import combine
from tests.daq.measure.test_curve_points import coarse
from tests.daq.measure.travels import COMPLIANCE, HIGH, LAG, LOW, travel, unit_current, unit_flow
from tests.studies.curve import Case, errors

PLACE = 300e3


def drawn(*sweeps: Sweep, lag: float = LAG, compliance: float = COMPLIANCE, ends: tuple[End, ...] = ()) -> Curve:
    return curve_of(sweeps, lag=lag, lag_doubt=0.3, compliance=compliance, compliance_doubt=0.3, ends=ends)


@pytest.fixture(scope="module")
def both() -> tuple[Sweep, Sweep]:
    return travel(closing=True, noise=0.002, seed=3), travel(closing=False, noise=0.002, seed=4)


def standard(at: At | None, source: str) -> float:
    assert at is not None
    return sum(c.standard for c in at.components if c.source == source)


def test_it_gives_back_the_curve_that_was_there() -> None:
    curve = drawn(travel(closing=True), travel(closing=False))
    for pressure in np.linspace(30e3, 480e3, 10).tolist():
        flow, current = curve.flow_at(pressure), curve.current_at(pressure)
        assert flow is not None
        assert current is not None
        assert flow.value == pytest.approx(float(unit_flow(pressure)), rel=1e-3)
        assert current.value == pytest.approx(float(unit_current(pressure)), rel=1e-3)
        back = curve.pressure_at(flow.value)
        assert back is not None
        assert back.value == pytest.approx(pressure, abs=2e3)


def test_slopes_are_those_of_the_unit() -> None:
    curve = drawn(travel(closing=True), travel(closing=False))
    flow, pressure = curve.flow_at(PLACE), curve.pressure_at(float(unit_flow(PLACE)))
    current, voltage = curve.current_at(PLACE), curve.voltage_at(PLACE)
    per_pascal = -22e-12 - 3e-9 / math.sqrt(PLACE)
    assert flow is not None
    assert pressure is not None
    assert current is not None
    assert voltage is not None
    assert flow.slope == pytest.approx(per_pascal, rel=0.05)
    assert pressure.slope == pytest.approx(1.0 / per_pascal, rel=0.1)
    assert current.slope == pytest.approx(6e-6, rel=0.05)
    assert voltage.slope == pytest.approx(-0.02 * 6e-6, rel=0.1)


@settings(max_examples=25, deadline=None)
@given(st.floats(30e3, 480e3), st.floats(30e3, 480e3))
def test_more_pressure_never_means_more_flow(both: tuple[Sweep, Sweep], one: float, other: float) -> None:
    curve = drawn_once(both)
    low, high = curve.flow_at(min(one, other)), curve.flow_at(max(one, other))
    assert low is not None
    assert high is not None
    assert high.value <= low.value + 1e-15


@cache
def drawn_once(both: tuple[Sweep, Sweep]) -> Curve:
    return drawn(*both)


def test_nothing_is_told_outside_of_what_was_swept(both: tuple[Sweep, Sweep]) -> None:
    curve = drawn(*both)
    for pressure in (0.9 * LOW, 1.02 * HIGH):
        assert curve.flow_at(pressure) is None
        assert curve.current_at(pressure) is None
    assert curve.pressure_at(float(unit_flow(0.5 * LOW))) is None
    assert curve.pressure_at(float(unit_flow(1.1 * HIGH))) is None


def test_a_wrong_lag_drops_out_between_both_directions(both: tuple[Sweep, Sweep]) -> None:
    """Both directions show by how much it is wrong, and its doubt is nearly gone."""
    right, wrong, alone = drawn(*both).flow_at(PLACE), drawn(*both, lag=1.25 * LAG).flow_at(PLACE), drawn(both[0])
    assert right is not None
    assert wrong is not None
    assert wrong.value == pytest.approx(right.value, rel=2e-3)
    assert standard(wrong, METER_LAG) < 0.1 * standard(alone.flow_at(PLACE), METER_LAG)
    assert abs(wrong.value - float(unit_flow(PLACE))) < combine(wrong.components).U


@pytest.mark.parametrize("wrong", [0.85, 1.0, 1.15])
@pytest.mark.parametrize("way", [0, 1])
def test_one_direction_alone_counts_with_the_uncertainty_that_it_costs(
    both: tuple[Sweep, Sweep], way: int, wrong: float
) -> None:
    """Nothing drops out there: not what a wrong lag does, nor the hose, nor the rotor."""
    alone, together = drawn(both[way], lag=wrong * LAG).flow_at(PLACE), drawn(*both, lag=wrong * LAG).flow_at(PLACE)
    assert alone is not None
    assert together is not None
    assert standard(alone, HOSE) > 4 * standard(together, HOSE)
    assert standard(alone, METER_LAG) + standard(alone, ROTOR) > 2 * standard(together, METER_LAG)
    assert abs(alone.value - float(unit_flow(PLACE))) < combine(alone.components).U
    assert combine(alone.components).U > 1.5 * combine(together.components).U


def test_what_is_electric_is_told_by_one_direction_too_with_the_rotors_doubt(both: tuple[Sweep, Sweep]) -> None:
    """The rotor may lag by 20 ms: at 2 A in 4 s that is some 10 mA, of which both directions show all but a little."""
    alone, together = drawn(both[0]).current_at(PLACE), drawn(*both).current_at(PLACE)
    assert alone is not None
    assert together is not None
    fastest = 0.02 * 6e-6 * float(np.gradient(both[0].pressure, both[0].t).max())
    assert 0.3 * fastest < math.sqrt(3) * standard(alone, ROTOR) < 1.2 * fastest
    assert standard(together, ROTOR) < 0.2 * standard(alone, ROTOR)
    assert abs(alone.value - float(unit_current(PLACE))) < combine(alone.components).U
    assert drawn(both[1]).voltage_at(PLACE) is not None


def test_half_of_what_changed_between_the_travels_stays_a_doubt(both: tuple[Sweep, Sweep]) -> None:
    """Here the unit gave 5 % less as the valve opened: more than lag and hose can do without doubts of their own."""
    later = {name: getattr(both[1], name) + 20.0 for name in ("t", "flow_t")}
    weaker = replace(both[1], flow_steps=0.95 * both[1].flow_steps, **later)
    curve = curve_of([both[0], weaker], lag=LAG, lag_doubt=0.0, compliance=COMPLIANCE)
    at = curve.flow_at(PLACE)
    assert at is not None
    assert at.value == pytest.approx(0.975 * float(unit_flow(PLACE)), rel=5e-3)
    assert standard(at, DIRECTION) == pytest.approx(0.025 * at.value / math.sqrt(3), rel=0.4)


def test_known_ends_reach_further(both: tuple[Sweep, Sweep]) -> None:
    ends = (end(LOW, float(unit_flow(LOW))), end(560e3, 1e-6, 500.0, 0.5e-6))
    curve = drawn(*both, ends=ends)
    near, far = curve.flow_at(520e3), curve.flow_at(559.9e3)
    assert near is not None
    assert far is not None
    assert 1e-6 < near.value < float(unit_flow(HIGH))
    assert far.value == pytest.approx(1e-6, abs=1.0e-6)
    assert 0.2e-6 < far.standard < 1e-6
    assert curve.flow_at(561e3) is None


def end(pressure: float, flow: float, u_pressure: float = 0.0, u_flow: float = 0.0, t: float = 0.0) -> End:
    return End(t, {"pressure": (pressure, u_pressure), "flow": (flow, u_flow)})


def test_between_ends_a_few_flow_steps_make_a_curve(both: tuple[Sweep, Sweep]) -> None:
    """A coarse meter and a quick hand: four flow steps on the way. It says so by its U, and holds."""
    ends = (end(LOW, float(unit_flow(LOW))), end(HIGH, float(unit_flow(HIGH))))
    told = []
    for seed in range(12):
        quick = [travel(closing=way, seconds=1.0, noise=0.002, seed=2 * seed + way) for way in (True, False)]
        few = [coarse(s, 4) for s in quick]
        at = drawn(*few, ends=ends).flow_at(PLACE)
        assert at is not None
        told.append((at.value / float(unit_flow(PLACE)) - 1.0, combine(at.components).U / at.value))
    off, doubt = np.array(told).T
    assert (np.abs(off) <= doubt).all()
    assert 0.002 < np.median(doubt) < 0.05
    fine = drawn(*both, ends=ends).flow_at(PLACE)
    assert fine is not None
    assert combine(fine.components).U / fine.value < np.median(doubt)


def test_repeated_travels_count_together(both: tuple[Sweep, Sweep]) -> None:
    again = [travel(closing=way, noise=0.002, seed=7 + way) for way in (True, False)]
    once, twice = drawn(*both).flow_at(PLACE), drawn(*both, *again).flow_at(PLACE)
    assert once is not None
    assert twice is not None
    assert twice.n > once.n
    assert twice.value == pytest.approx(float(unit_flow(PLACE)), rel=3e-3)


@pytest.mark.parametrize("sweeps", [0, 1])
def test_too_few_flow_steps_are_no_curve(sweeps: int) -> None:
    whole = travel(closing=True)
    short = replace(whole, flow_t=whole.flow_t[:3], flow_steps=whole.flow_steps[:3])
    with pytest.raises(CurveError, match=r"valve moved too quickly: \d flow steps .* needed 4; move it more slowly"):
        drawn(*[short] * sweeps)


def test_scatter_is_told_as_large_as_it_is() -> None:
    """White noise of 0.5 % on each flow step: the values of many travels scatter no more than they say."""
    told = [
        drawn(travel(closing=True, noise=0.005, seed=k), travel(closing=False, noise=0.005, seed=100 + k)).flow_at(
            PLACE
        )
        for k in range(12)
    ]
    off = np.array([at.value / float(unit_flow(PLACE)) - 1.0 for at in told if at])
    stated = np.median([at.standard / at.value for at in told if at])
    assert 0.5 < off.std() / stated < 1.3
    held = [abs(at.value - float(unit_flow(PLACE))) <= combine(at.components).U for at in told if at]
    assert np.mean(held) >= 0.9


# Beside a kink.

KNEE = 400e3


def regulated(pressure: Floats | float) -> Floats:
    """A module behind its regulator: the curve of `unit_flow` up to the knee, then nothing within 8 kPa."""
    p = np.asarray(pressure, dtype=np.float64)
    spilled = np.maximum(p - KNEE, 0.0) / 8e3 * float(unit_flow(KNEE))
    return np.asarray(np.maximum(unit_flow(p) - spilled, 0.0))


def behind_regulator(*, closing: bool, seed: int) -> Sweep:
    """Half the travel up to the knee, the other half behind it; each step's pressure scatters by 0.3 kPa."""

    def pressure(share: Floats) -> Floats:
        return np.where(share < 0.5, LOW + (KNEE - LOW) * 2.0 * share, KNEE + 7.5e3 * (2.0 * share - 1.0))

    sweep = travel(closing=closing, noise=0.002, seed=seed, law=regulated, way=pressure)
    jitter = 300.0 * np.random.default_rng(seed).standard_normal(sweep.t.size)
    return replace(sweep, pressure=sweep.pressure + jitter)


def test_nodes_beside_a_regulators_kink_do_not_spoil_each_other() -> None:
    """A regulated pressure was stated ± 17.7 kPa where its error was 1 kPa; U is a few times the error that there is,
    and what a step's pressure scatters by, and the intervals hold all the same."""
    behind, before = float(regulated(KNEE + 4e3)), PLACE
    pressures, flows = [], []
    for k in range(8):
        curve = drawn(behind_regulator(closing=True, seed=k), behind_regulator(closing=False, seed=50 + k))
        pressure, flow = curve.pressure_at(behind), curve.flow_at(before)
        assert pressure is not None
        assert flow is not None
        pressures.append((pressure.value - KNEE - 4e3, combine(pressure.components).U))
        flows.append((flow.value - float(unit_flow(before)), combine(flow.components).U))
    for told, floor in ((pressures, 100.0), (flows, 0.0)):
        off, doubt = np.array(told).T
        assert np.median(doubt) < 5.0 * max(math.sqrt(np.mean(off**2)), floor)
        assert np.mean(np.abs(off) <= doubt) >= 0.85
    assert np.median([doubt for _, doubt in pressures]) < 0.4e3


@pytest.mark.parametrize(
    "case",
    [
        Case(),
        Case(opens=3.0),
        Case(8.0, 8.0),
        Case(lag=1.3, compliance=0.75),
        Case(1.0, 1.0),
        Case(unit="displacement"),
    ],
    ids=["5 s", "5 s and 3 s", "8 s", "wrong lag and hose", "1 s", "displacement pump"],
)
def test_against_the_simulated_unit_at_rest(case: Case) -> None:
    """6 runs each; the whole table is `python -m tests.studies.curve`. Witness: the plant's own steady state."""
    told = [e for e in errors(case, 400e3, 6) if e is not None]
    assert len(told) == 6
    off, doubt = np.array(told).T
    assert np.mean(np.abs(off) <= doubt) >= 0.8
    assert abs(off.mean()) < 0.6 * np.median(doubt)
    assert np.median(doubt) < (0.015 if min(case.shuts, case.opens) > 2.0 else 0.08)
