"""How well the pressure–flow curve of a hand's travels agrees with the simulated unit at rest.

Sensors have noise but no systematic errors, so that the curve's own doubts are all there are.
Run: python -m tests.studies.curve
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np

from daq.catalogue.load import load_stand
from daq.measure.channels import Channels
from daq.measure.curve import At, Curve, curve_of
from daq.measure.curve_points import Sweep
from daq.measure.steps import Measuring, Step
from daq.measure.uncertainty import combine
from drivers.block import AnalogInput, Block, Feature, Identity, Input
from simulator.bench import Bench, Truth
from simulator.design import Scenario
from simulator.scenario import load_scenario
from simulator.truth import flow_at
from tests.studies.common import show

CONFIG = Path(__file__).resolve().parents[2] / "config"
PRESSURES = (100e3, 250e3, 400e3, 500e3)


@cache
def channels() -> Channels:
    return load_stand(CONFIG).stand.channels


@cache
def scenario() -> Scenario:
    known = load_scenario("depot")
    sensors = tuple(replace(s, zero_doubt=0.0, gain_doubt=0.0) for s in known.sensors)
    return replace(known, sensors=sensors, meter_spread=replace(known.meter_spread, k_doubt=0.0))


@dataclass(frozen=True, slots=True)
class Case:
    """A unit and a hand that takes so many seconds to shut the valve and to open it, on a stand whose stated lag and
    compliance are so many times the true ones."""

    shuts: float = 5.0
    opens: float = 5.0
    lag: float = 1.0
    compliance: float = 1.0
    unit: str = "good-pump"


class Hand:
    """A unit in the fluid, its valve moved to and fro."""

    def __init__(self, case: Case, seed: int) -> None:
        device = scenario().device
        self.bench = Bench(scenario(), case.unit, seed)
        self._block, self._index = device.block_scans, 0
        self._told: list[Truth] = []
        analog = tuple(
            AnalogInput(s.role, s.converter.bits, s.converter.zero_count, s.converter.volts_per_count)
            for s in scenario().sensors
        )
        self._measuring = Measuring(
            channels(),
            Identity(
                1, Feature.SIMULATED, "", "", Input(0), 1, 1, device.tick_hz, device.sample_hz, 0, 0, analog, (1,)
            ),
        )
        self.bench.connect()
        self.bench.immerse()
        self.bench.switch(True)
        self.wait(2.0)
        self.truths: list[list[Truth]] = []
        self.sweeps = [self._travel(0.0, case.shuts, closing=True)]
        self.wait(2.0)
        self.sweeps.append(self._travel(1.0, case.opens, closing=False))

    def wait(self, seconds: float) -> list[Step]:
        steps: list[Step] = []
        for _ in range(round(seconds * scenario().device.sample_hz / self._block)):
            steps += self._measuring.feed(self._next())
        return steps

    def _travel(self, travel: float, seconds: float, *, closing: bool) -> Sweep:
        self._told = []
        before = self.wait(0.5)
        self.bench.aim_valve(travel, seconds)
        steps = [*before, *self.wait(seconds + 0.5)]
        self.truths.append(self._told)
        flows = [s.flow_step for s in steps if s.flow_step is not None]
        pressure, current, voltage = (
            np.array([getattr(s, n) for s in steps]) for n in ("pressure", "current", "voltage")
        )
        return Sweep(
            t=np.array([s.t for s in steps]),
            pressure=pressure,
            current=current,
            voltage=voltage,
            flow_t=np.array([f.t for f in flows]),
            flow_steps=np.array([f.flow.value for f in flows]),
            closing=closing,
        )

    def _next(self) -> Block:
        tick, index, self._index = self.bench.tick, self._index, self._index + self._block
        values = np.array([self.bench.scan() for _ in range(self._block)], dtype=np.int16)
        self._told.append(self.bench.truth())
        edges, last = np.array([self.bench.meter.edges]), np.array([self.bench.meter.last_tick])
        return Block(boot=1, tick=tick, index=index, values=values, edges=edges, last_edge=last, missing=0, overrange=0)

    def curve(self, case: Case) -> Curve:
        known = channels()
        return curve_of(
            self.sweeps,
            lag=case.lag * known.flow.lag,
            lag_doubt=known.flow.lag_doubt,
            compliance=case.compliance * known.pressure.compliance,
            compliance_doubt=known.pressure.compliance_doubt,
        )

    def true(self, pressure: float) -> tuple[float, float]:
        """Flow and current of the unit at rest at a pressure, midway between what it was then as it shut and as it
        opened: its winding warms up by some kelvins between."""
        told = []
        for truths in self.truths:
            near = min(truths, key=lambda truth: abs(truth.pressure - pressure))
            at_rest = flow_at(self.bench.design.unit, pressure, near.voltage, near.fluid, near.winding)
            told.append((at_rest.flow, at_rest.current))
        flow, current = np.mean(told, axis=0).tolist()
        return flow, current


def errors(case: Case, pressure: float, count: int) -> Iterator[tuple[float, float] | None]:
    """Error and U of the flow at a pressure, as shares of it, for so many runs; None where the curve says nothing."""
    for seed in range(count):
        hand = made(case, seed)
        true, _ = hand.true(pressure)
        at = hand.curve(case).flow_at(pressure)
        yield None if at is None else _shares(at, true)


@cache
def made(case: Case, seed: int) -> Hand:
    return Hand(case, seed)


def _shares(at: At, true: float) -> tuple[float, float]:
    return at.value / true - 1.0, combine(at.components).U / true


CASES = {
    "5 s each way": Case(),
    "8 s each way": Case(8.0, 8.0),
    "5 s and 3 s": Case(5.0, 3.0),
    "2.5 s each way": Case(2.5, 2.5),
    "1 s each way": Case(1.0, 1.0),
    "5 s and 1 s": Case(5.0, 1.0),
    "stated lag 30 % too long, compliance 25 % too small": Case(lag=1.3, compliance=0.75),
    "stated lag 23 % too short, compliance 25 % too large": Case(lag=0.77, compliance=1.25),
    "a displacement pump": Case(unit="displacement"),
}


def main(count: int = 40) -> None:
    show(
        ("hand", *(f"{p / 1e3:.0f} kPa" for p in PRESSURES)),
        ([name, *(_cell(case, p, count) for p in PRESSURES)] for name, case in CASES.items()),
    )


def _cell(case: Case, pressure: float, count: int) -> str:
    told = [e for e in errors(case, pressure, count) if e is not None]
    if not told:
        return "—"
    off, doubt = (100.0 * np.array(column) for column in zip(*told, strict=True))
    held = 100.0 * np.mean(np.abs(off) <= doubt)
    few = "" if len(told) == count else f", told in {len(told)}"
    return f"{off.mean():+.2f} ± {off.std():.2f} %, U {np.median(doubt):.2f} %, held {held:.0f} %{few}"


if __name__ == "__main__":
    main()
