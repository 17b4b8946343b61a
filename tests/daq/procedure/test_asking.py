"""What a person is asked for, by stage and by what the signals say; and when nobody else can tell that it is done."""

from dataclasses import replace

import pytest

from daq.procedure.asking import PATIENCE_S, ZERO_WAIT_S, Standing, asks, must_confirm
from daq.procedure.stage_reading import DRY_ON_S
from daq.procedure.table import STAGES, Do, stage_of

OFF = Standing(t=20.0, on_for=None, valve_wrong_for=None, rested=True, shut_before_power=False, asked=False)
ON = replace(OFF, on_for=5.0)
WRONG = replace(ON, valve_wrong_for=PATIENCE_S)


def asked(stage: str, now: Standing) -> Do:
    return asks(stage_of(stage), now)


@pytest.mark.parametrize(
    ("now", "do"),
    [
        (OFF, Do.CONNECT),
        (replace(OFF, t=ZERO_WAIT_S - 0.01, rested=False), Do.WAIT),
        (replace(OFF, t=ZERO_WAIT_S, rested=False), Do.CONNECT),
        (replace(OFF, t=1.0), Do.CONNECT),
        (replace(ON, t=1.0, rested=False), Do.CONNECT),  # power is on: no rest comes any more
        (replace(OFF, t=4.0, rested=False, sees_valve=True, unopen_at=4.0), Do.OPEN_VALVE),
        (replace(OFF, t=4.05, rested=False, sees_valve=True, unopen_at=4.0), Do.WAIT),
        (replace(OFF, t=4.0 + ZERO_WAIT_S, rested=False, sees_valve=True, unopen_at=4.0), Do.CONNECT),
        (replace(ON, t=4.0, sees_valve=True, unopen_at=4.0), Do.CONNECT),
        (replace(OFF, t=4.0, rested=False, unopen_at=4.0), Do.WAIT),
        (replace(OFF, t=0.0, rested=False, sees_valve=True), Do.WAIT),
    ],
)
def test_at_the_start_it_waits_for_a_rest_with_the_line_open(now: Standing, do: Do) -> None:
    assert asked("connect", now) is do


@pytest.mark.parametrize(
    ("on_for", "do"),
    [(None, Do.DRY_CHECK), (0.1, Do.DRY_CHECK), (DRY_ON_S - 0.01, Do.DRY_CHECK), (DRY_ON_S, Do.POWER_OFF)],
)
def test_a_dry_check_is_ended_as_soon_as_it_can_be_read(on_for: float | None, do: Do) -> None:
    assert asked("dry_check", replace(OFF, on_for=on_for)) is do


@pytest.mark.parametrize("stage", ["immerse", "hold_return", "residual", "finish"])
def test_stages_without_power_ask_for_it_to_go_off_first(stage: str) -> None:
    assert asked(stage, ON) is Do.POWER_OFF
    assert asked(stage, OFF) is (Do.WAIT if stage == "finish" else STAGES[stage].do)


@pytest.mark.parametrize("stage", ["free_flow", "throttle", "shutoff.2", "fill", "reopen"])
def test_stages_with_power_ask_for_it(stage: str) -> None:
    assert asked(stage, replace(OFF, shut_before_power=True)) is Do.POWER_ON
    assert asked(stage, ON) is stage_of(stage).do


def test_a_valve_that_must_be_shut_before_power_is_shut_first() -> None:
    assert asked("shutoff", OFF) is Do.CLOSE_VALVE
    assert asked("shutoff", replace(OFF, shut_before_power=True)) is Do.POWER_ON
    assert asked("free_flow", OFF) is Do.POWER_ON


@pytest.mark.parametrize(
    ("stage", "do"),
    [
        ("free_flow", Do.OPEN_VALVE),
        ("shutoff", Do.CLOSE_VALVE),
        ("throttle", Do.CLOSE_VALVE),
        ("reopen", Do.OPEN_VALVE),
        ("fill", Do.WAIT),
    ],
)
def test_a_valve_that_looks_wrong_for_a_while_is_asked_for(stage: str, do: Do) -> None:
    assert asked(stage, WRONG) is do
    assert asked(stage, replace(ON, asked=True)) is do
    assert asked(stage, replace(WRONG, valve_wrong_for=PATIENCE_S - 0.01)) is stage_of(stage).do


@pytest.mark.parametrize("stage", ["dry_check", "free_flow", "throttle", "shutoff", "fill", "residual", "finish"])
@pytest.mark.parametrize("now", [OFF, ON, WRONG, replace(ON, asked=True)])
def test_a_stand_that_drives_itself_asks_for_nothing_that_it_does(stage: str, now: Standing) -> None:
    assert asked(stage, replace(now, driven=True)) is Do.WAIT


def test_and_asks_for_what_only_hands_can_do_once_power_is_off() -> None:
    driven = replace(OFF, driven=True)
    assert asked("connect", driven) is Do.CONNECT
    for stage, do in (("immerse", Do.IMMERSE), ("hold_return", Do.HOLD_RETURN)):
        assert asked(stage, driven) is do
        assert asked(stage, replace(driven, on_for=1.0)) is Do.WAIT


@pytest.mark.parametrize(
    ("stage", "do", "now", "level", "must"),
    [
        ("connect", Do.CONNECT, OFF, True, True),
        ("immerse", Do.IMMERSE, OFF, True, True),
        ("hold_return", Do.HOLD_RETURN, OFF, True, True),
        ("free_flow", Do.WAIT, ON, True, False),
        ("free_flow", Do.WAIT, replace(ON, asked=True), True, True),
        ("shutoff", Do.CLOSE_VALVE, OFF, True, True),
        ("shutoff", Do.CLOSE_VALVE, replace(OFF, sees_valve=True), True, False),
        ("shutoff", Do.CLOSE_VALVE, ON, True, False),
        ("fill", Do.WAIT, ON, False, True),
        ("fill", Do.WAIT, ON, True, False),
        ("fill", Do.WAIT, replace(ON, driven=True), False, False),
        ("fill", Do.POWER_ON, OFF, False, False),
    ],
)
def test_what_no_signal_tells_must_be_confirmed(stage: str, do: Do, now: Standing, level: bool, must: bool) -> None:
    assert must_confirm(stage_of(stage), do, now, sees_level=level) is must
