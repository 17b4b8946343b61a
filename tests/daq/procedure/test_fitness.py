"""What keeps a step out of a window, and what people are told of it, each cause once."""

import math
from dataclasses import replace

import pytest

from daq.measure.convert import BITS, Column
from daq.measure.flow import Flow
from daq.measure.steps import Step
from daq.procedure.fitness import LASTS_S, SETTLE_S, Fitness, Place
from daq.procedure.table import Valve
from tests.daq.procedure.bench import pump

SILENT = Flow(math.nan, 0.0, 5e-7, silent=True)
FLOWS = Flow(3e-5, 3e-5, 3e-5)
STEP = Step(0, 10.0, 400e3, 13.5, 5.0, 295.0, 0.0, FLOWS, None, False, 0, 0, 400e3)
OPEN = Place("free_flow", 5.0, Valve.OPEN, Valve.OPEN, Valve.OPEN)
SHUT = Place("shutoff", 5.0, Valve.SHUT, Valve.SHUT, Valve.SHUT)
PART = pump()


def why(step: Step = STEP, place: Place = OPEN) -> str:
    return Fitness(PART).why_not(step, place)


def told(step: Step, place: Place = OPEN, seconds: float = 1.0) -> list[tuple[str, str, str]]:
    """The alarms of a step that lasts."""
    made = Fitness(PART)
    for k in range(round(seconds / 0.05) + 1):
        made.why_not(replace(step, t=step.t + 0.05 * k), place)
    assert {a.severity for a in made.alarms} <= {"warn"}  # none of them stops a run
    return [(a.code, a.text, a.do) for a in made.alarms]


@pytest.mark.parametrize(
    ("step", "place", "found"),
    [
        ({}, OPEN, ""),
        ({"flow": SILENT}, SHUT, ""),
        ({}, replace(OPEN, on_for=None), "power off"),
        ({}, replace(OPEN, valve=Valve.BETWEEN), "valve not open"),
        ({"flow": SILENT}, replace(SHUT, valve=Valve.OPEN), "valve not shut"),
        ({"flow": SILENT}, replace(OPEN, by_signals=Valve.SHUT), "pressure but no pulses"),
        ({"flow": SILENT}, OPEN, "no flow yet"),
        ({}, replace(OPEN, by_signals=Valve.BETWEEN), "pressure in an open line"),
        ({}, SHUT, "flow with the valve shut"),
        ({"flow": SILENT}, replace(SHUT, by_signals=Valve.BETWEEN, flowed=True), "shut, but no pressure"),
        ({"flow": SILENT}, replace(SHUT, by_signals=Valve.BETWEEN), ""),
        ({}, replace(OPEN, needed=None, valve=None, by_signals=Valve.SHUT), ""),
    ],
)
def test_power_and_valve(step: dict[str, object], place: Place, found: str) -> None:
    assert why(replace(STEP, **step), place) == found  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("step", "found"),
    [
        ({"voltage": 13.5 + 0.3}, ""),
        ({"voltage": 13.5 + 0.301}, "supply high"),
        ({"voltage": 13.5 - 0.3}, ""),
        ({"voltage": 13.5 - 0.301}, "supply low"),
        ({"temperature": PART.temperature_low}, ""),
        ({"temperature": PART.temperature_low - 0.01}, "fluid temperature"),
        ({"temperature": PART.temperature_high}, ""),
        ({"temperature": PART.temperature_high + 0.01}, "fluid temperature"),
        ({"temperature": PART.temperature_high + 0.01, "voltage": 12.0}, "fluid temperature"),
    ],
)
def test_conditions_up_to_their_tolerance(step: dict[str, float], found: str) -> None:
    assert why(replace(STEP, **step)) == found  # type: ignore[arg-type]


@pytest.mark.parametrize("name", ["pressure", "voltage", "current", "temperature"])
def test_a_faulty_channel_goes_before_anything_else(name: str) -> None:
    broken = replace(STEP, faulty=BITS[Column[name.upper()]], voltage=12.0)
    assert why(broken, replace(OPEN, on_for=None)) == f"{name} faulty"
    assert told(broken) == [
        (
            f"{name}_faulty",
            f"stage free_flow: the {name} channel is outside its span; nothing is read from it",
            "check the sensor, its plug and its supply",
        )
    ]
    assert why(replace(STEP, faulty=BITS[Column.LEVEL])) == ""


def test_what_else_is_wrong_with_a_channel_is_told_instead() -> None:
    made = Fitness(PART, {Column.CURRENT: "shows none although the unit pumps"})
    made.why_not(replace(STEP, faulty=BITS[Column.CURRENT]), OPEN)
    assert made.alarms[0].text == (
        "stage free_flow: the current channel shows none although the unit pumps; nothing is read from it"
    )


@pytest.mark.parametrize(
    ("step", "code", "says", "do"),
    [
        ({"voltage": 12.0}, "supply_low", "12.00 V", "raise the supply or use thicker leads"),
        ({"voltage": 14.5}, "supply_high", "14.50 V", "lower the supply"),
        ({"temperature": 333.15}, "fluid_temperature", "60.0 °C", "warm or cool the test fluid"),
    ],
)
def test_a_condition_that_lasts_is_told_once(step: dict[str, float], code: str, says: str, do: str) -> None:
    [(found, text, advice)] = told(replace(STEP, **step))  # type: ignore[arg-type]
    assert (found, advice) == (code, do)
    assert text.startswith(f"stage free_flow: {code.replace('_', ' ')} (")
    assert says in text
    assert text.endswith("; nothing is read until it is right")


def test_a_condition_that_passes_is_not_told() -> None:
    low = replace(STEP, voltage=12.0)
    assert told(low, seconds=LASTS_S - 0.05) == []
    assert len(told(low, seconds=LASTS_S + 0.05)) == 1
    made = Fitness(PART)
    for k in range(20):  # never for long enough at a time
        made.why_not(replace(STEP, t=0.05 * k, voltage=12.0 if k % 4 else 13.5), OPEN)
    assert made.alarms == []


@pytest.mark.parametrize(("on_for", "count"), [(SETTLE_S, 0), (SETTLE_S + 0.01, 1), (None, 0)])
def test_a_supply_is_given_time_after_power_on(on_for: float | None, count: int) -> None:
    assert len(told(replace(STEP, voltage=12.0), replace(OPEN, on_for=on_for))) == count


def test_while_nobody_knows_whether_power_went_off_a_low_supply_is_power_off() -> None:
    unsure = replace(OPEN, sure=False)
    assert why(replace(STEP, voltage=9.0), unsure) == "power off"
    assert told(replace(STEP, voltage=9.0), unsure) == []
    assert why(STEP, unsure) == ""
