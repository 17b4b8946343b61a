"""The zero is taken at rest, and a shift is no zero but a fault."""

import math
from dataclasses import replace

import numpy as np
import pytest

from daq.measure.convert import BITS, Column, Zero
from daq.measure.flow import Flow
from daq.measure.steps import Step
from daq.measure.zero import REST_S, AtRest, Vent
from tests.daq.measure.blocks import CHANNELS

LSB = {"pressure": 50.0, "current": 1e-3}
SILENT = Flow(math.nan, 0.0, 5e-7, silent=True)


def rest(seconds: float, pressure: float = 0.0, current: float = 0.0, noise: float = 10.0, seed: int = 5) -> list[Step]:
    rng = np.random.default_rng(seed)
    steps = []
    for k in range(round(seconds / 0.05)):
        p, i = pressure + noise * rng.standard_normal(), current + 1e-4 * noise * rng.standard_normal()
        steps.append(Step(k, 0.05 * (k + 1), p, 0.0, i, 293.0, 0.0, SILENT, None, False, 0, 0, p))
    return steps


def watched(steps: list[Step]) -> AtRest:
    made = AtRest(CHANNELS, LSB)
    for step in steps:
        made.feed(step)
    return made


def test_a_zero_after_five_seconds_of_rest() -> None:
    made = watched(rest(5.2, pressure=1_200.0, current=0.03))
    assert made.shifted is None
    assert made.zero is not None
    assert made.zero.taken
    assert made.zero.pressure == pytest.approx(1_200.0, abs=5)
    assert made.zero.current == pytest.approx(0.03, abs=1e-3)


def test_no_zero_before() -> None:
    assert watched(rest(REST_S - 0.05)).zero is None


def test_its_doubt_is_the_scatter_of_the_mean_and_the_converters_step() -> None:
    quiet, noisy = watched(rest(5.2, noise=0.0)).zero, watched(rest(5.2, noise=200.0)).zero
    assert quiet is not None
    assert noisy is not None
    assert quiet.pressure_doubt == pytest.approx(50.0 / math.sqrt(12))  # one value over and over: nothing averages
    assert quiet.current_doubt == pytest.approx(1e-3 / math.sqrt(12))
    assert noisy.pressure_doubt == pytest.approx(200.0 / math.sqrt(100), rel=0.5)


@pytest.mark.parametrize(
    ("pressure", "current", "shifted"),
    [(5_100.0, 0.0, "pressure"), (-5_100.0, 0.0, "pressure"), (0.0, 0.12, "current")],
)
def test_a_shift_beyond_its_limit_is_a_fault_of_the_stand(pressure: float, current: float, shifted: str) -> None:
    made = watched(rest(5.2, pressure, current))
    assert (made.zero, made.shifted) == (None, shifted)


def test_the_limit_is_of_the_calibrated_zero_not_of_the_last_one() -> None:
    """Two drifts of 3 kPa, each within the limit of 5 kPa, are a shift together."""
    steps = rest(5.05, 3_000.0)
    later = [replace(s, t=s.t + 5.05, number=s.number + 101) for s in rest(5.2, 6_000.0)]
    assert watched(steps).zero is not None
    assert watched([*steps, *later]).shifted == "pressure"


@pytest.mark.parametrize(
    "change",
    [{"lost": True}, {"faulty": BITS[Column.PRESSURE]}, {"edges": 1}, {"current": 4.0}],
    ids=["lost scans", "faulty channel", "an edge", "current"],
)
def test_what_disturbs_begins_the_rest_anew(change: dict[str, float]) -> None:
    steps = rest(9.9)
    steps[60] = replace(steps[60], **change)  # at 3 s
    if "edges" in change:
        steps[61:] = [replace(s, edges=1) for s in steps[61:]]
    assert watched(steps[:120]).zero is None
    assert watched(steps).zero is not None


@pytest.mark.parametrize("sign", [1.0, -1.0], ids=["falls", "rises"])
def test_a_pressure_that_still_moves_is_no_zero(sign: float) -> None:
    steps = [replace(s, pressure=sign * 4_500.0 * math.exp(-s.t / 4)) for s in rest(5.2)]
    made = watched(steps)
    assert (made.zero, made.shifted) == (None, None)


def test_without_one_the_largest_shift_is_the_doubt() -> None:
    zero = Zero.calibrated(CHANNELS)
    assert (zero.pressure, zero.current, zero.taken) == (0.0, 0.0, False)
    assert zero.pressure_doubt == pytest.approx(5e3 / math.sqrt(3))
    assert zero.current_doubt == pytest.approx(0.1 / math.sqrt(3))


def test_a_broken_sensor_of_something_else_hinders_no_zero() -> None:
    assert watched([replace(s, faulty=BITS[Column.LEVEL]) for s in rest(5.2)]).zero is not None


# A line that is opened.


def vented(pressures: list[float], opened: bool = False) -> bool:
    vent = Vent(5e3, opened)
    for k, p in enumerate(pressures):
        vent.feed(replace(rest(0.05)[0], t=0.05 * (k + 1), pressure=p))
    return vent.opened


def test_pressure_that_falls_to_its_zero_at_once_shows_an_open_line() -> None:
    assert vented([100e3] * 5 + [0.0] * 5)
    assert vented([100e3] * 5 + [4.9e3])
    assert vented([100e3] * 5 + [15e3] * 9 + [0.0])  # within half a second
    assert not vented([100e3] * 5 + [15e3] * 12 + [0.0])
    assert not vented([100e3] * 5 + [5.1e3] * 5)
    assert not vented([19e3] * 5 + [0.0] * 5)  # too little to tell it from a shift
    assert not vented([0.0] * 20)


def test_pressure_that_rises_again_shows_that_it_is_not_open_any_more() -> None:
    assert vented([0.0] * 5, opened=True)
    assert not vented([0.0] * 5 + [5.1e3, 0.0], opened=True)
    assert not vented([30e3], opened=True)


@pytest.mark.parametrize("change", [{"lost": True}, {"faulty": BITS[Column.PRESSURE]}])
def test_what_cannot_be_believed_vents_nothing(change: dict[str, int]) -> None:
    vent, [step] = Vent(5e3), rest(0.05)
    vent.feed(replace(step, t=0.05, pressure=100e3))
    vent.feed(replace(step, t=0.1, pressure=0.0, **change))  # type: ignore[arg-type]
    vent.feed(replace(step, t=0.15, pressure=0.0))
    assert not vent.opened


def test_a_rest_that_turns_out_to_be_none_gives_no_zero() -> None:
    made = watched(rest(5.2))
    assert made.zero is not None
    made.disturb()
    assert (made.zero, made.shifted, made.resting) == (None, None, False)
    for step in rest(4.9):
        made.feed(replace(step, t=step.t + 5.2))
    assert made.zero is None
