"""What each channel's type B doubts are at a value."""

import math

import pytest

from daq.measure.channels import (
    Channels,
    Distribution,
    Doubt,
    FlowInput,
    Per,
    PressureInput,
    PressureKind,
    ShuntInput,
    VoltageInput,
)
from daq.measure.convert import Zero
from daq.measure.doubts import Doubts
from daq.measure.uncertainty import Component

CALIBRATION = Doubt("calibration", relative=0.002, distribution=Distribution.NORMAL, k=2.0)
DRIFT = Doubt("drift", absolute=300.0, per=Per.YEAR)
CHANNELS = Channels(
    pressure=PressureInput(
        PressureKind.RATIOMETRIC, 0.0, 1e6, 0.1, 0.9, 0.05, 0.95, k_outlet_doubt=2e12, doubts=(CALIBRATION, DRIFT)
    ),
    shunt=ShuntInput(0.01, 20.0, alpha=4e-5, temperature_doubt=10.0, doubts=(CALIBRATION,)),
    voltage=VoltageInput(5.0, doubts=(CALIBRATION,)),
    flow=FlowInput(((10.0, 4e6), (300.0, 4e6)), fluid="oil", doubts=(CALIBRATION,), other_fluid=0.01),
)
LSB = {"pressure": 60.0, "current": 0.003, "voltage": 0.003}


def doubts(fluid: str = "oil") -> Doubts:
    return Doubts(CHANNELS, LSB, {"pressure": 0.5}, fluid)


def of(made: Doubts, channel: str, value: float, flow: float = 0.0) -> dict[str, Component]:
    return {c.source: c for c in made.of(channel, value, kelvins=3.0, flow=flow)}


def test_pressure_has_what_is_stated_and_what_a_run_adds() -> None:
    found = of(doubts(), "pressure", 4e5, flow=2e-5)
    assert found["calibration"].standard == pytest.approx(0.002 * 4e5 / 2)
    assert found["drift"].standard == pytest.approx(300.0 * 0.5 / math.sqrt(3))
    assert found["resolution"].standard == pytest.approx(60.0 / math.sqrt(12))
    assert found["hose"].standard == pytest.approx(2e12 * 4e-10)
    assert not found["resolution"].common
    assert all(c.common for name, c in found.items() if name != "resolution")


def test_a_flow_that_is_stated_has_the_resolution_of_its_last_digit() -> None:
    made = Doubts(CHANNELS, LSB | {"flow": 2e-8}, {}, "oil")
    assert of(made, "flow", 3e-5)["resolution"].standard == pytest.approx(2e-8 / math.sqrt(12))
    assert "resolution" not in of(doubts(), "flow", 3e-5)


def test_a_zero_that_was_taken_is_doubted_less_than_one_that_only_may_have_shifted() -> None:
    made = doubts()
    before = of(made, "pressure", 4e5)["zero"]
    made.zero = Zero(120.0, 0.002, 15.0, 0.0004, taken=True)
    after, current = of(made, "pressure", 4e5)["zero"], of(made, "current", 5.0)["zero"]
    assert (after.shape, after.standard) == ("normal", 15.0)
    assert current.standard == 0.0004
    assert before.shape == "rectangular"
    assert before.standard > after.standard


def test_current_has_the_shunts_temperature() -> None:
    warmth = of(doubts(), "current", 5.0)["shunt temperature"]
    assert warmth.standard == pytest.approx(5.0 * 4e-5 * 10.0 / math.sqrt(3))


@pytest.mark.parametrize(("fluid", "share"), [("oil", 0.0), ("", 0.0), ("water", 0.01)])
def test_a_meter_is_doubted_in_a_fluid_that_it_was_not_made_for(fluid: str, share: float) -> None:
    found = of(doubts(fluid), "flow", 3e-5)["another fluid"]
    assert found.standard == pytest.approx(share * 3e-5 / math.sqrt(3))


def test_voltage_has_its_calibration_and_resolution() -> None:
    assert set(of(doubts(), "voltage", 13.5)) == {"calibration", "resolution"}


def test_there_is_no_other_channel() -> None:
    with pytest.raises(KeyError):
        doubts().of("level", 1.0, kelvins=0.0)


def test_without_a_flow_nothing_goes_through_the_hose() -> None:
    assert [c.standard for c in doubts().of("pressure", 4e5, kelvins=3.0) if c.source == "hose"] in ([], [0.0])
