"""A plug in the line and a hand pump: what is lost then, the stand loses."""

import pytest

from simulator.bench import Bench
from tests.simulator.common import quiet


def pumped_up(unit: str = "blank") -> Bench:
    bench = Bench(quiet(), unit)
    bench.operator.hear("pressurise")
    wait(bench, 3.1)
    return bench


def wait(bench: Bench, seconds: float) -> None:
    for _ in range(round(seconds * 500)):
        bench.scan()


def test_it_is_pumped_up_and_left_to_the_stand_s_own_leak() -> None:
    """0.4 kPa/s at 500 kPa, as the stand's configuration says."""
    bench = pumped_up()
    before = bench.truth()
    assert before.pressure == pytest.approx(500e3, rel=1e-3)
    assert before.travel == 0.0
    wait(bench, 50.0)
    fallen = before.pressure - bench.truth().pressure
    assert fallen / 50.0 == pytest.approx(400.0 * (1.0 - 0.5 * 50.0 * 8e-4), rel=0.01)


def test_pumping_takes_less_than_a_second() -> None:
    bench = Bench(quiet(), "blank")
    bench.aim_valve(0.0, 0.01)
    wait(bench, 0.1)
    bench.pressurise()
    wait(bench, 0.3)
    assert 0.4 * 500e3 < bench.truth().pressure < 0.6 * 500e3
    wait(bench, 0.4)
    assert bench.truth().pressure == pytest.approx(500e3, rel=1e-3)


def test_power_reaches_nothing() -> None:
    bench = Bench(quiet(), "blank")
    bench.connect()
    bench.switch(True)
    wait(bench, 1.0)
    truth = bench.truth()
    assert (truth.voltage, truth.current, truth.speed, truth.flow) == (0.0, 0.0, 0.0, 0.0)


def test_a_pump_left_on_leaks_too() -> None:
    plug, pump = pumped_up(), pumped_up("leaking-check-valve")
    wait(plug, 5.0)
    wait(pump, 5.0)
    assert pump.truth().pressure < 0.6 * plug.truth().pressure
