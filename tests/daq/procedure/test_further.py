"""Readings that no steady window gives, from steps and a device's description alone."""

import math
from dataclasses import replace
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest

from daq.judge.requirement import Quantity, Requirement
from daq.measure.channels import Channels, Leak
from daq.measure.convert import BITS, Column
from daq.measure.flow import Flow
from daq.measure.reading import Reader, Reading, Supply
from daq.measure.steps import Measuring, Step
from daq.procedure.effects import CaptureWanted, Noted
from daq.procedure.further import Further, capture_for
from drivers.block import Role
from tests.daq.measure.blocks import CHANNELS, PRESSURE, identity
from tests.daq.procedure.bench import pump

STEP_S, OFF_AT, CONSTANT, FULL = 0.05, 20.0, 60.0, 400e3
WARMS = 0.1
"""K/s."""
SILENT = Flow(math.nan, 0.0, 1e-7, silent=True)
HEIGHT, THERMAL = 2e3, 500.0
STAND = replace(CHANNELS, pressure=replace(PRESSURE, height=HEIGHT, thermal=THERMAL))


def further(channels: Channels = STAND) -> Further:
    reader = Reader(channels, np.array([40.0, 1e-3, 2e-3, math.nan, math.nan]), {}, Supply(test_voltage=13.5))
    return Further(pump(), channels, cast(Measuring, SimpleNamespace(step_s=STEP_S)), reader)


def dying_away(seconds: float = 8.0, before: int = 3) -> list[Step]:
    """Pressure e-folds in a minute from power-off on, in fluid that warms; means stand half a step before their end."""
    made = []
    for k in range(-before, round(seconds / STEP_S)):
        middle = (k + 0.5) * STEP_S
        level, warmth = FULL * math.exp(-max(middle, 0.0) / CONSTANT), 295.0 + WARMS * middle
        step = Step(
            k + before, OFF_AT + middle + 0.5 * STEP_S, level, 0.0, 0.0, warmth, 0.0, SILENT, None, False, 0, 0, level
        )
        made.append(step)
    return made


def needs(*after: float) -> list[Requirement]:
    return [Requirement(f"after {s}", Quantity.RESIDUAL_PRESSURE, "residual", at_least=1e5, after=s) for s in after]


def test_the_pressure_that_is_left_is_read_once_at_each_time_in_order() -> None:
    made = further().residual(
        [*needs(5.0, 2.0, 5.0), Requirement("other", Quantity.FLOW, "free_flow")], dying_away(), OFF_AT
    )
    assert [r.at for r in made if isinstance(r, Reading)] == [2.0, 5.0]
    for reading in made:
        assert isinstance(reading, Reading)
        assert (reading.quantity, reading.stage) == ("residual_pressure", "residual")
        assert reading.at is not None
        expected = FULL * math.exp(-reading.at / CONSTANT) + HEIGHT
        assert reading.value == reading.low == reading.high == pytest.approx(expected, rel=1e-4)
        assert reading.window == pytest.approx((OFF_AT + reading.at - 0.25, OFF_AT + reading.at + 0.25))
        assert reading.corrections == (("height", HEIGHT),)


def test_fluid_that_warmed_since_power_off_makes_it_doubtful() -> None:
    """By what it warmed until then, from the first tenth of that time to the last one."""
    [reading] = further().residual(needs(5.0), dying_away(), OFF_AT)
    assert isinstance(reading, Reading)
    doubt = next(c for c in reading.combined.components if c.source == "fluid temperature since power-off")
    assert doubt.standard == pytest.approx(0.9 * 5.0 * WARMS * THERMAL / math.sqrt(3.0), rel=0.03)


def test_what_the_stand_itself_loses_is_added_and_named() -> None:
    """At a constant rate of 1 kPa/s it has lost 5 kPa after 5 s."""
    leak = Leak(table=((10e3, 1e3), (600e3, 1e3)), doubt=10.0)
    [reading] = further(replace(STAND, pressure=replace(STAND.pressure, leak=leak))).residual(
        needs(5.0), dying_away(), OFF_AT
    )
    assert isinstance(reading, Reading)
    corrections = dict(reading.corrections)
    assert corrections == {"stand's leak": pytest.approx(5e3, rel=0.02), "height": HEIGHT}
    left = FULL * math.exp(-5.0 / CONSTANT)
    assert reading.value == pytest.approx(left + sum(corrections.values()), rel=1e-4)
    assert "stand_leak_unknown" not in reading.flags


def test_where_nothing_measures_the_fluid_it_may_have_warmed_by_a_kelvin() -> None:
    [reading] = further().residual(needs(5.0), [replace(s, temperature=math.nan) for s in dying_away()], OFF_AT)
    assert isinstance(reading, Reading)
    doubt = next(c for c in reading.combined.components if c.source == "fluid temperature since power-off")
    assert doubt.standard == pytest.approx(THERMAL / math.sqrt(3.0))


def test_what_cannot_be_read_is_said_with_its_reason() -> None:
    steps = dying_away(4.0)
    read, missed = further().residual(needs(2.0, 5.0), steps, OFF_AT)
    assert isinstance(read, Reading)
    assert isinstance(missed, Noted)
    assert (missed.t, missed.what) == (steps[-1].t, "residual pressure not read")
    assert missed.detail
    faulty = [*steps[:-1], replace(steps[-1], faulty=BITS[Column.PRESSURE])]
    expected = [Noted(steps[-1].t, "residual pressure not read", "pressure faulty")]
    assert further().residual(needs(2.0), faulty, OFF_AT) == expected
    others = [replace(s, faulty=BITS[Column.CURRENT]) for s in steps]
    assert isinstance(further().residual(needs(2.0), others, OFF_AT)[0], Reading)


@pytest.mark.parametrize(
    ("roles", "most_hz", "most", "wanted"),
    [
        ((Role.PRESSURE,), 20_000, 9_000, None),
        ((Role.PRESSURE, Role.SHUNT), 0, 9_000, None),
        ((Role.SHUNT,), 1, 9_000, CaptureWanted(int(Role.SHUNT), 1, 0)),
        ((Role.SHUNT,), 10_000, 9_000, CaptureWanted(int(Role.SHUNT), 10_000, 2_000)),
        ((Role.SHUNT,), 10_000, 1_500, CaptureWanted(int(Role.SHUNT), 10_000, 1_500)),
        ((Role.SHUNT,), 50_000, 9_000, CaptureWanted(int(Role.SHUNT), 20_000, 4_000)),
        ((Role.SHUNT, Role.SHUNT_WIDE), 20_000, 9_000, CaptureWanted(int(Role.SHUNT_WIDE), 20_000, 4_000)),
    ],
)
def test_a_capture_is_as_fast_and_long_as_the_device_can_and_the_motor_needs(
    roles: tuple[Role, ...], most_hz: int, most: int, wanted: CaptureWanted | None
) -> None:
    device = replace(identity(roles), burst_max_hz=most_hz, burst_max_total=most)
    assert capture_for(device) == wanted
