"""Readings: what is corrected, and that every doubt of a budget is in U."""

import math
from dataclasses import replace

import numpy as np
import pytest

from daq.judge.finding import Result, judge
from daq.judge.requirement import Quantity, Requirement
from daq.measure.channels import Channels, Doubt, Per
from daq.measure.convert import Floats, Zero
from daq.measure.flow import Flow
from daq.measure.reading import Reader, Reading, Supply, Window, evidence, product, seconds
from simulator.scenario import load_scenario
from simulator.truth import steady
from tests.daq.measure.blocks import CHANNELS, LITRES_PER_HOUR, PRESSURE, SHUNT

LSB = np.array([48.0, 8e-4, 8e-4, np.nan, np.nan])
AT_120 = 120 * LITRES_PER_HOUR
SUPPLY = Supply(test_voltage=13.5)


def scatter(mean: float, deviation: float, n: int = 40, seed: int = 1) -> Floats:
    """Independent values with exactly this mean and standard deviation."""
    x = np.random.default_rng(seed).standard_normal(n)
    return mean + deviation * (x - x.mean()) / x.std(ddof=1)


def window(**more: object) -> Window:
    plain = Window(
        stage="free_flow",
        span=(10.0, 12.0),
        pressure=scatter(400e3, 800.0),
        voltage=scatter(13.5, 0.01, seed=2),
        current=scatter(5.0, 0.02, seed=3),
        flow=Flow(AT_120, AT_120, AT_120),
        flow_steps=scatter(AT_120, 0.003 * AT_120, seed=4),
        peak=scatter(400e3, 800.0, 500, seed=5),
        sample_hz=500,
        kelvins=2.0,
    )
    return replace(plain, **more)  # type: ignore[arg-type]  # names of fields with their values


def read(
    quantity: str, w: Window | None = None, channels: Channels = CHANNELS, supply: Supply = SUPPLY, looks: int = 1
) -> Reading:
    reader = Reader(channels, LSB, {"pressure": 0.5}, supply)
    reader.zero = Zero(taken=True, pressure_doubt=30.0, current_doubt=1e-3)
    return reader.read(quantity, w or window(), looks)


def parts(reading: Reading) -> dict[str, float]:
    return {c.source: c.standard for c in reading.combined.components}


# Values.


@pytest.mark.parametrize(
    ("quantity", "value"),
    [("flow", AT_120), ("pressure", 400e3), ("current", 5.0), ("voltage", 13.5), ("power", 67.5)],
)
def test_a_reading_is_the_mean_of_its_window(quantity: str, value: float) -> None:
    reading = read(quantity)
    assert reading.value == reading.low == reading.high == pytest.approx(value, rel=1e-4)
    assert (reading.quantity, reading.stage, reading.name) == (quantity, "free_flow", f"free_flow.{quantity}")
    assert reading.window == (10.0, 12.0)
    assert reading.bounds(2.0) == pytest.approx(
        (reading.value - 2 * reading.combined.U, reading.value + 2 * reading.combined.U)
    )


def test_an_unknown_quantity_is_refused() -> None:
    with pytest.raises(KeyError):
        read("colour")


def test_a_mean_flow_is_that_of_the_meter_not_of_its_steps() -> None:
    assert read("flow", window(flow_steps=scatter(1.1 * AT_120, 1e-9))).value == AT_120


def test_power_is_the_mean_of_the_products() -> None:
    """Where voltage falls as current rises the product of the means is too high."""
    swing = np.tile([1.0, -1.0], 20)
    w = window(voltage=13.5 - 0.5 * swing, current=5.0 + swing)
    assert read("power", w).value == pytest.approx(13.5 * 5.0 - 0.5)


def test_peak_pressure_is_read_over_its_own_second() -> None:
    reading = read("peak_pressure")
    assert reading.window == (10.0, 11.0)
    assert reading.value == pytest.approx(400e3, abs=3 * reading.combined.u)
    names = [name for name, _ in reading.corrections]
    assert names == ["bias of the maximum"]
    assert reading.corrections[0][1] > 0  # on independent noise the held maximum lies too low


# Budgets.


def test_every_source_of_pressure_doubt_is_in_the_budget() -> None:
    doubts = (
        Doubt("calibration", absolute=2e3, k=2.0),
        Doubt("drift", absolute=1e3, per=Per.YEAR),
        Doubt("temperature", absolute=100.0, per=Per.KELVIN),
    )
    hose = replace(PRESSURE, doubts=doubts, k_outlet_doubt=300.0 / AT_120**2)
    found = parts(read("pressure", channels=replace(CHANNELS, pressure=hose)))
    root = math.sqrt(3)
    assert found["drift"] == pytest.approx(0.5 * 1e3 / root)  # half a year
    assert found["temperature"] == pytest.approx(2 * 100 / root)  # two kelvins
    assert found["calibration"] == pytest.approx(2e3 / root)
    assert found["resolution"] == pytest.approx(48 / math.sqrt(12))
    assert found["zero"] == pytest.approx(30.0)
    assert found["hose"] == pytest.approx(300.0)
    assert 800 / math.sqrt(40) < found["scatter"] < 2 * 800 / math.sqrt(40)  # nothing is known of it beforehand


def test_every_source_of_current_doubt_is_in_the_budget() -> None:
    copper = replace(SHUNT, alpha=3.93e-3, temperature_doubt=10.0)
    found = parts(read("current", channels=replace(CHANNELS, shunt=copper)))
    assert found["shunt temperature"] == pytest.approx(5.0 * 3.93e-3 * 10 / math.sqrt(3), rel=1e-4)
    assert found["calibration"] == pytest.approx(5.0 * 0.005 / math.sqrt(3), rel=1e-4)
    assert {"scatter", "zero", "resolution"} <= found.keys()


def test_doubts_of_flow_voltage_and_power() -> None:
    assert parts(read("flow"))["calibration"] == pytest.approx(0.0025 * AT_120)
    assert parts(read("voltage"))["calibration"] == pytest.approx(0.001 * 13.5 / math.sqrt(3), rel=1e-4)
    # Relative doubts of both factors are relative doubts of the product.
    power = [c.standard for c in read("power").combined.components if c.source.endswith("calibration")]
    assert power == pytest.approx([67.5 * 0.001 / math.sqrt(3), 67.5 * 0.005 / math.sqrt(3)], rel=1e-3)


def test_a_zero_that_was_not_taken_is_a_wide_rectangle() -> None:
    reader = Reader(CHANNELS, LSB, {}, SUPPLY)
    found = parts(reader.read("pressure", window()))
    assert found["zero"] == pytest.approx(PRESSURE.zero_limit / math.sqrt(3))


def test_repeated_looks_widen_the_scatter_only() -> None:
    once, often = read("pressure"), read("pressure", looks=5)
    assert often.combined.U > once.combined.U
    assert often.combined.u == once.combined.u
    assert [c.widen > 1 for c in often.combined.components] == [
        c.source == "scatter" for c in often.combined.components
    ]


def test_more_scatter_is_more_doubt() -> None:
    wide = read("flow", window(flow_steps=scatter(AT_120, 0.02 * AT_120)))
    assert wide.combined.U > 1.5 * read("flow").combined.U


# Products.


@pytest.mark.parametrize("pressure", [0.0, 12e3, -200.0])
def test_efficiency_at_whatever_pressure_the_open_line_takes(pressure: float) -> None:
    """A coarse converter may show none at all; the doubt of pressure counts by Q over P all the same."""
    reading = read("efficiency", window(pressure=np.full(40, pressure)))
    assert reading.value == pytest.approx(pressure * AT_120 / 67.5, rel=1e-4)
    by_pressure = parts(reading)["pressure: calibration"]
    assert by_pressure == pytest.approx(1e3 * AT_120 / 67.5, rel=1e-3)


def test_a_product_takes_what_all_share_once_and_what_each_part_states_apart() -> None:
    """By hand: p·Q with sensitivities of either sign, whose own doubts have nothing to do with each other."""
    stated = Supply(13.5, {"flow": (-0.1 * AT_120, 0.03 * AT_120), "pressure": (0.04 * 400e3, 0.04 * 400e3)})
    pressure, flow = (read(q, window(voltage=scatter(13.3, 0.01)), supply=stated) for q in ("pressure", "flow"))
    value, found = product(((pressure, 1.0), (flow, 1.0)))
    relative = sorted(c.standard / value for c in found if c.source.endswith("sensitivity to voltage"))
    own = [0.2 * 0.04 * 400e3 / pressure.value, 0.2 * 0.03 * AT_120 / flow.value]
    assert relative == pytest.approx(sorted(own))
    (terminals,) = (c.standard for c in found if c.source == "voltage at the terminals")
    volts = parts(pressure)["voltage at the terminals"] / (0.04 * 400e3)
    assert terminals / value == pytest.approx(volts * abs(0.04 * 400e3 / pressure.value - 0.1 * AT_120 / flow.value))


# Corrections.


def test_pressure_is_taken_to_the_outlet() -> None:
    line = replace(PRESSURE, k_outlet=1.5e3 / AT_120**2, height=-200.0)
    reading = read("pressure", channels=replace(CHANNELS, pressure=line))
    assert dict(reading.corrections) == {"hose": pytest.approx(1.5e3), "height": pytest.approx(-200.0)}
    assert reading.value == pytest.approx(400e3 + 1.3e3)


def test_at_shutoff_the_hose_takes_nothing() -> None:
    line = replace(PRESSURE, k_outlet=1.5e3 / AT_120**2)
    shut = window(flow=Flow(math.nan, 0.0, 5e-7, silent=True))
    assert read("pressure", shut, replace(CHANNELS, pressure=line)).corrections == ()


def test_a_stated_sensitivity_corrects() -> None:
    stated = Supply(13.5, {"flow": (0.09 * AT_120, 0.01 * AT_120)})
    reading = read("flow", window(voltage=scatter(13.3, 0.01)), supply=stated)
    assert dict(reading.corrections) == {"supply voltage": pytest.approx(0.2 * 0.09 * AT_120)}
    assert reading.value == pytest.approx(AT_120 * (1 + 0.2 * 0.09))
    assert parts(reading)["sensitivity to voltage"] == pytest.approx(0.2 * 0.01 * AT_120)
    assert "supply voltage off" not in parts(reading)


@pytest.mark.parametrize(("fluid", "half_width"), [("oil", 0.0), ("", 0.0), ("spirit", 0.015 * AT_120)])
def test_another_fluid_than_the_meter_was_calibrated_in_adds_its_doubt(fluid: str, half_width: float) -> None:
    meter = replace(CHANNELS.flow, fluid="oil", other_fluid=0.015)
    found = parts(read("flow", channels=replace(CHANNELS, flow=meter), supply=Supply(13.5, fluid=fluid)))
    assert found.get("another fluid", 0.0) == pytest.approx(half_width / math.sqrt(3))


def test_kelvins_count_from_the_temperature_of_the_calibration() -> None:
    warm = replace(CHANNELS.pressure, doubts=(Doubt("warmth", absolute=100.0, per=Per.KELVIN, reference=298.15),))
    channels = replace(CHANNELS, pressure=warm)
    assert parts(read("pressure", window(kelvins=7.0), channels))["warmth"] == pytest.approx(200.0 / math.sqrt(3))
    assert "warmth" not in parts(read("pressure", window(kelvins=5.0), channels))


@pytest.mark.parametrize(
    ("quantity", "low", "high"),
    [("flow", 0.8, 1.2), ("pressure", -2.0, 2.0), ("current", 0.4, 1.6), ("power", 1.4, 2.6)],
)
def test_without_one_it_lies_between_limits(quantity: str, low: float, high: float) -> None:
    """JCGM 100:2008, 4.3.8: known limits a− and a+ give their middle, and (a+ − a−)/√12 as its uncertainty."""
    reading = read(quantity, window(voltage=scatter(13.3, 0.01)))
    plain = reading.value - sum(shift for name, shift in reading.corrections if name == "supply voltage")
    share = 0.2 * plain / 13.5
    assert reading.value == pytest.approx(plain + 0.5 * (low + high) * share, rel=1e-3)
    assert parts(reading)["supply voltage off"] == pytest.approx((high - low) * share / math.sqrt(12), rel=1e-2)


@pytest.mark.parametrize("name", ["good-pump", "high-pressure", "displacement", "module", "module-return", "weak-pump"])
def test_units_follow_the_voltage_within_these_limits(name: str) -> None:
    """The simulator's units at rest, 0.2 V to both sides of the test voltage."""
    scenario = load_scenario("depot")
    unit = scenario.unit(name).unit
    supply = Supply(13.5, turbine=name != "displacement")
    opened, shut = ([steady(unit, scenario.line, 13.5 + d, way, 296.0) for d in (-0.2, 0.2)] for way in (1.0, 0.0))
    for quantity, (a, b) in (("flow", opened), ("current", opened), ("speed", opened), ("current", shut)):
        low, high = (getattr(state, quantity) for state in (a, b))
        middle, half = supply.per_volt(quantity, 0.5 * (low + high))
        assert abs((high - low) / 0.4 - middle) < half, quantity


@pytest.mark.parametrize("share", [0.0, 1.0, 1.8])
def test_a_pressure_that_a_relief_valve_holds_or_not_lies_within_the_interval(share: float) -> None:
    seen = 400e3 * (1.0 - share * 0.4 / 13.5)
    reading = read("pressure", window(pressure=scatter(seen, 200.0), voltage=scatter(13.1, 0.01)))
    assert abs(reading.value - 400e3) < reading.combined.U


def test_the_doubt_of_the_voltage_itself_comes_along() -> None:
    reading = read("pressure")
    terminals = math.hypot(0.001 * 13.5 / math.sqrt(3), 8e-4 / math.sqrt(12))
    assert parts(reading)["voltage at the terminals"] == pytest.approx(2 * 400e3 / 13.5 * terminals, rel=1e-3)


def test_a_displacement_pump_keeps_its_pressure_under_another_supply() -> None:
    supply = Supply(13.5, turbine=False)
    low = window(voltage=scatter(13.3, 0.01))
    assert "supply voltage off" not in parts(read("pressure", low, supply=supply))
    assert parts(read("flow", low, supply=supply))["supply voltage off"] > 0


def test_voltage_is_not_corrected_for_itself() -> None:
    reading = read("voltage", window(voltage=scatter(13.3, 0.01)))
    assert (reading.value, reading.corrections) == (pytest.approx(13.3), ())


# Intervals.


def test_a_flow_below_the_table_is_an_interval_with_both_ends() -> None:
    reading = read("flow", window(flow=Flow(math.nan, 0.0, 40 / 4.55e6), flow_steps=np.empty(0)))
    assert (reading.is_interval, reading.low, reading.high) == (True, 0.0, pytest.approx(40 / 4.55e6))
    assert reading.flags == ("interval",)
    assert reading.bounds(3.0) == (reading.low, reading.high)


def test_a_flow_above_the_table_is_marked() -> None:
    assert read("flow", window(flow=Flow(math.nan, 5e-5, math.inf))).flags == ("above_table",)


@pytest.mark.parametrize("steps", [np.empty(0), np.array([AT_120]), np.array([AT_120, math.nan, AT_120])])
def test_a_flow_of_which_nothing_tells_the_scatter_holds_for_nothing(steps: Floats) -> None:
    reading = read("flow", window(flow_steps=steps))
    assert (reading.low, reading.high, reading.flags) == (0.0, math.inf, ("few_steps",))
    assert judge(Requirement("", Quantity.FLOW, "free_flow", at_least=0.0), reading, "free_flow").result is Result.VOID
    assert read("efficiency", window(flow_steps=steps)).is_interval


def test_flags_of_the_window_stay() -> None:
    assert read("current", window(flags=("no_zero",))).flags == ("no_zero",)
    assert read("flow", window(flags=("no_zero",), flow=Flow(math.nan, 0.0, 1e-6))).flags == ("no_zero", "interval")


def test_a_time_is_known_within_its_half_width() -> None:
    reading = seconds("fill", "fill_time", (4.0, 16.5), 0.5)
    assert (reading.value, reading.window) == (12.5, (4.0, 16.5))
    assert reading.combined.u == pytest.approx(0.5 / math.sqrt(3))
    expanded = reading.combined.U
    assert expanded == pytest.approx(0.95 * 0.5, rel=1e-3)


def test_evidence_says_at_least() -> None:
    reading = evidence("shutoff", "pressure", 951e3, (3.0, 3.0), "over_pressure")
    assert (reading.is_interval, reading.low, reading.flags) == (True, 951e3, ("interval", "at_least", "over_pressure"))
