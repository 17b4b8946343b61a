"""A module's filling: when it was full, and what spoils the time."""

import math
from dataclasses import replace

import pytest

from daq.measure.channels import LevelInput
from daq.measure.convert import BITS, Column
from daq.measure.flow import UNKNOWN, Flow
from daq.measure.steps import Step
from daq.procedure.filling import Filling
from tests.daq.procedure.bench import module

LEVEL = LevelInput(volts_empty=0.5, volts_full=4.5, full_at=0.9)
STEP = Step(0, 0.0, 0.0, 13.5, 5.0, 295.0, 0.0, UNKNOWN, None, False, 0, 0, 0.0)


def filled(
    levels: list[float],
    changes: dict[int, dict[str, float]] | None = None,
    power: bool = True,
    floor: float = 0.0,
) -> Filling:
    """Steps with these levels from power-on at 10 s on."""
    filling = Filling(module(), LEVEL, 0.05, floor)
    filling.begin(10.0)
    t = 10.0
    for k, level in enumerate(levels):
        more = (changes or {}).get(k, {})
        t += more.get("gap", 0.0) + 0.05
        kept = {name: value for name, value in more.items() if name != "gap"}
        filling.feed(replace(STEP, t=t, level=level, lost="gap" in more, **kept), power)  # type: ignore[arg-type]
    return filling


RISING = [0.1 * k for k in range(12)]


def test_full_when_the_sensor_first_shows_it() -> None:
    filling = filled(RISING)
    assert filling.full_at == pytest.approx(10.0 + 10 * 0.05)
    assert (filling.full, filling.unfit, filling.lost_s, filling.blind_s) == (True, "", 0.0, 0.0)


def test_waves_on_the_surface_are_no_second_filling() -> None:
    assert filled([0.1, 0.95, 0.85, 0.95]).full_at == pytest.approx(10.1)


def test_a_sensor_that_shows_full_from_the_start() -> None:
    filling = filled([0.95] * 5)
    assert (filling.full, filling.full_at) == (True, None)


def test_only_the_first_power_on_counts() -> None:
    filling = filled(RISING[:3])
    filling.begin(20.0)
    assert filling.begun == 10.0


def test_before_power_nothing_is_known() -> None:
    filling = Filling(module(), LEVEL, 0.05)
    filling.feed(replace(STEP, t=5.0, level=0.95), power=False)
    assert (filling.begun, filling.full, filling.seen_for(5.0), filling.unfit) == (None, False, 0.0, "power off")


def test_time_that_no_scan_tells_of_is_not_seen() -> None:
    filling = filled([0.1] * 10, {4: {"gap": 0.3}})
    assert filling.lost_s == pytest.approx(0.3)
    assert filling.seen_for(10.8) == pytest.approx(0.5)


def test_a_full_module_waits_for_nothing() -> None:
    assert filled(RISING).seen_for(100.0) == 0.0


def test_a_broken_sensor_is_blind() -> None:
    broken = {k: {"faulty": BITS[Column.LEVEL]} for k in range(3, 6)}
    filling = filled([0.1] * 3 + [1.3] * 3 + [0.1], broken)
    assert (filling.blind, filling.full, filling.full_at) == (False, False, None)
    assert filling.blind_s == pytest.approx(0.15)
    assert filled([0.1] * 3 + [1.3] * 3, broken).blind


@pytest.mark.parametrize(
    ("change", "unfit"),
    [
        ({}, ""),
        ({"voltage": 13.1}, "supply low"),
        ({"voltage": 13.9}, "supply high"),
        ({"temperature": 320.0}, "fluid temperature"),
        ({"temperature": 280.0}, "fluid temperature"),
        ({"temperature": math.nan}, ""),
    ],
)
def test_conditions_are_means_over_the_time_under_power(change: dict[str, float], unfit: str) -> None:
    assert filled([0.1] * 20, dict.fromkeys(range(20), change)).unfit == unfit
    assert filled([0.1] * 400, {0: change} if "temperature" not in change else {}).unfit == ""


def test_time_without_power_is_no_condition() -> None:
    assert filled([0.1] * 5, power=False).unfit == "power off"


FLOWS = Flow(3e-5, 3e-5, 3e-5)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"flow": FLOWS}, "valve not shut"),
        ({"current": 0.0}, "current ended"),
        ({}, ""),
    ],
)
@pytest.mark.parametrize("steps", [5, 30])
def test_what_hands_do_meanwhile_spoils_the_time(change: dict[str, object], says: str, steps: int) -> None:
    """A quarter of a second does not, one and a half do."""
    changes = dict.fromkeys(range(10, 10 + steps), change)
    levels = [min(0.02 * k, 0.85) for k in range(60)]
    filling = filled(levels, changes, floor=0.15)  # type: ignore[arg-type]
    assert filling.unfit == (says if steps > 10 else "")


def test_power_that_was_off_meanwhile_spoils_it_too() -> None:
    filling = Filling(module(), LEVEL, 0.05, 0.15)
    filling.begin(0.0)
    for k in range(100):
        on = not 20 <= k < 60
        filling.feed(replace(STEP, t=0.05 * (k + 1), level=0.005 * k, current=5.0 if on else 0.0), power=on)
    assert filling.unfit == "power off"


def test_a_valve_that_is_sensed_open_spoils_it_without_any_flow() -> None:
    filling = Filling(module(), LEVEL, 0.05, 0.15)
    filling.begin(0.0)
    for k in range(100):
        filling.feed(replace(STEP, t=0.05 * (k + 1), level=0.005 * k), power=True, opened=k > 50)
    assert filling.unfit == "valve not shut"


def test_a_level_that_falls_is_fluid_that_goes_elsewhere() -> None:
    assert filled([0.02 * k for k in range(20)] + [0.38 - 0.02 * k for k in range(12)]).unfit == "level fell"
    assert filled([0.1, 0.3, 0.2, 0.3, 0.15, 0.4]).unfit == ""  # waves
