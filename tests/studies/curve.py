"""How well the pressure–flow curve of a hand's travels agrees with the simulated unit at rest.

Sensors have noise but no systematic errors, so that the curve's own doubts are all there are. Pressure and flow with
the valve open and shut are read before and between, as in a run.
Run: python -m tests.studies.curve
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np

from daq.catalogue.load import load_stand
from daq.measure.channels import Channels
from daq.measure.curve import At, Curve, End, curve_of
from daq.measure.curve_points import Sweep
from daq.measure.errors import CurveError
from daq.measure.steps import Measuring, Step
from daq.measure.uncertainty import combine, mean_of
from simulator.design import Scenario
from simulator.fast import Clean, FastBench, identity_of
from simulator.scenario import load_scenario
from simulator.truth import Steady, flow_at
from tests.studies.common import show

CONFIG = Path(__file__).resolve().parents[2] / "config"
PRESSURES = (100e3, 250e3, 400e3, 500e3)
FLOWS = (90.0, 60.0, 40.0)
"""L/h."""
LITRES_PER_HOUR = 1.0 / 3.6e6
MOST_PA = 1.2e6


@dataclass(frozen=True, slots=True)
class Case:
    """A unit and a hand that takes so many seconds to shut the valve and to open it, on a stand whose stated lag and
    compliance are so many times the true ones and whose meter gives so many times the usual pulses."""

    shuts: float = 5.0
    opens: float = 5.0
    lag: float = 1.0
    compliance: float = 1.0
    pulses: float = 1.0
    unit: str = "good-pump"


COARSE = 500.0 / 4600.0
"""A meter of 500 pulses/L: 17 Hz at 120 L/h."""


def channels(case: Case | None = None) -> Channels:
    """The shipped stand's channels, with the meter of a case where one is given."""
    shipped = _channels()
    if case is None:
        return shipped
    flow = shipped.flow
    table = tuple((hertz * case.pulses, k * case.pulses) for hertz, k in flow.k_table)
    return replace(shipped, flow=replace(flow, k_table=table))


@cache
def _channels() -> Channels:
    return load_stand(CONFIG).stand.channels


def scenario(case: Case) -> Scenario:
    known = _scenario()
    table = tuple((hertz * case.pulses, k * case.pulses) for hertz, k in known.meter.k_table)
    return replace(known, meter=replace(known.meter, k_table=table))


@cache
def _scenario() -> Scenario:
    return load_scenario("depot")


class Hand:
    """A unit in the fluid, its valve moved to and fro."""

    def __init__(self, case: Case, seed: int) -> None:
        known = scenario(case)
        self.case = case
        self._identity = identity_of(known)
        self.bench = FastBench(known, known.unit(case.unit), np.random.default_rng((seed, 12)), misread={})
        self._measuring = Measuring(channels(case), self._identity)
        self.bench.connect()
        self.bench.immerse()
        self.bench.hold_return()
        self.bench.switch(True)
        self.wait(FULL_S if self.bench.level is not None else 2.0)
        self.spans: list[tuple[float, float]] = []
        self.ends = [self._rest()]
        self.sweeps = [self._travel(0.0, case.shuts, closing=True)]
        self.wait(2.5)
        self.ends.append(self._rest())
        self.sweeps.append(self._travel(1.0, case.opens, closing=False))

    def wait(self, seconds: float) -> list[Step]:
        steps: list[Step] = []
        end = self.bench.time + seconds
        while self.bench.time < end - 1e-9:
            steps += self._measuring.feed(self.bench.block())
        return steps

    def _rest(self) -> End:
        """Two steady seconds."""
        steps = self.wait(2.0)
        meter = self._measuring.meter
        assert meter is not None
        known = {}
        for name in ("pressure", "current", "voltage"):
            mean = mean_of(np.array([getattr(s, name) for s in steps]))
            known[name] = mean.value, mean.standard
        flow = meter.mean(steps[0].t, steps[-1].t)
        driving = np.array([s.flow_step.driving for s in steps if s.flow_step is not None])
        if flow.silent:
            known["flow"] = 0.0, flow.high / np.sqrt(3.0)
        else:
            known["flow"] = flow.value, mean_of(driving[np.isfinite(driving)]).standard
        return End(0.5 * (steps[0].t + steps[-1].t), known)

    def _travel(self, travel: float, seconds: float, *, closing: bool) -> Sweep:
        begin = self.bench.time
        before = self.wait(0.5)
        self.bench.aim_valve(travel, seconds)
        steps = [*before, *self.wait(seconds + 0.5)]
        self.spans.append((begin, self.bench.time))
        meter = self._measuring.meter
        assert meter is not None
        flow_t, flow_steps = meter.between_edges(steps[0].t - self._measuring.step_s, steps[-1].t)
        pressure, current, voltage = (
            np.array([getattr(s, n) for s in steps]) for n in ("pressure", "current", "voltage")
        )
        return Sweep(
            t=np.array([s.t for s in steps]) - 0.5 / self._identity.sample_hz,
            pressure=pressure,
            current=current,
            voltage=voltage,
            flow_t=flow_t,
            flow_steps=flow_steps,
            closing=closing,
        )

    def curve(self) -> Curve:
        known = channels(self.case)
        return curve_of(
            self.sweeps,
            lag=self.case.lag * known.flow.lag,
            lag_doubt=known.flow.lag_doubt,
            compliance=self.case.compliance * known.pressure.compliance,
            compliance_doubt=known.pressure.compliance_doubt,
            ends=self.ends,
        )

    def at(self, pressure: float) -> Steady:
        """The unit at rest at a pressure, midway between what it was then as it shut and as it opened: its winding
        warms up by some kelvins between."""
        volts, fluid, winding = np.mean([self._near(span, Clean.PRESSURE, pressure) for span in self.spans], axis=0)
        return flow_at(self.bench.plant.unit, pressure, float(volts), float(fluid), float(winding))

    def pressure_of(self, flow: float) -> float:
        """The pressure at which it gives a flow."""
        low, high = 0.0, MOST_PA
        for _ in range(30):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if self.at(middle).flow > flow else (low, middle)
        return low

    def _near(self, span: tuple[float, float], column: Clean, value: float) -> list[float]:
        clean = self.bench.clean()
        told = clean[(clean[:, Clean.TIME] >= span[0]) & (clean[:, Clean.TIME] <= span[1])]
        row = told[np.argmin(np.abs(told[:, column] - value))]
        return [float(row[c]) for c in (Clean.VOLTS, Clean.FLUID, Clean.WINDING)]


FULL_S = 25.0
"""A module is full by then."""


def errors(case: Case, pressure: float, count: int) -> Iterator[tuple[float, float] | None]:
    """Error and U of the flow at a pressure, as shares of it, for so many runs; None where the curve says nothing."""
    for seed in range(count):
        hand, curve = made(case, seed)
        true = hand.at(pressure).flow
        at = curve.flow_at(pressure) if curve else None
        yield None if at is None else _shares(at, true)


def pressure_errors(case: Case, flow: float, count: int) -> Iterator[tuple[float, float] | None]:
    """The same for the pressure at a flow (m³/s)."""
    for seed in range(count):
        hand, curve = made(case, seed)
        true = hand.pressure_of(flow)
        at = curve.pressure_at(flow) if curve else None
        yield None if at is None else _shares(at, true)


@cache
def made(case: Case, seed: int) -> tuple[Hand, Curve | None]:
    hand = Hand(case, seed)
    try:
        return hand, hand.curve()
    except CurveError:
        return hand, None


def _shares(at: At, true: float) -> tuple[float, float]:
    return at.value / true - 1.0, combine(at.components).U / true


CASES = {
    "5 s each way": Case(),
    "8 s each way": Case(8.0, 8.0),
    "20 s each way": Case(20.0, 20.0),
    "5 s and 3 s": Case(5.0, 3.0),
    "2.5 s each way": Case(2.5, 2.5),
    "1 s each way": Case(1.0, 1.0),
    "5 s and 1 s": Case(5.0, 1.0),
    "stated lag 30 % too long, compliance 25 % too small": Case(lag=1.3, compliance=0.75),
    "stated lag 23 % too short, compliance 25 % too large": Case(lag=0.77, compliance=1.25),
    "a displacement pump": Case(unit="displacement"),
    "500 pulses/L, 5 s each way": Case(pulses=COARSE),
    "500 pulses/L, 2.5 s each way": Case(2.5, 2.5, pulses=COARSE),
    "500 pulses/L, 1 s each way": Case(1.0, 1.0, pulses=COARSE),
}
KINKED = {
    "a module, 5 s each way": Case(unit="module"),
    "a module, 1 s each way": Case(1.0, 1.0, unit="module"),
    "a module, 500 pulses/L, 5 s each way": Case(unit="module", pulses=COARSE),
    "a module, 500 pulses/L, 2.5 s each way": Case(2.5, 2.5, unit="module", pulses=COARSE),
    "a module with return line, 5 s each way": Case(unit="module-return"),
}


def main(count: int = 24) -> None:
    show(
        ("hand", *(f"{p / 1e3:.0f} kPa" for p in PRESSURES)),
        ([name, *(_cell(errors(case, p, count), count) for p in PRESSURES)] for name, case in CASES.items()),
    )
    show(
        ("behind a regulator", *(f"{q:.0f} L/h" for q in FLOWS)),
        (
            [name, *(_cell(pressure_errors(case, q * LITRES_PER_HOUR, count), count) for q in FLOWS)]
            for name, case in KINKED.items()
        ),
    )


def _cell(found: Iterator[tuple[float, float] | None], count: int) -> str:
    told = [e for e in found if e is not None]
    if not told:
        return "—"
    off, doubt = (100.0 * np.array(column) for column in zip(*told, strict=True))
    held = 100.0 * np.mean(np.abs(off) <= doubt)
    few = "" if len(told) == count else f", told in {len(told)}"
    return f"{off.mean():+.2f} ± {off.std():.2f} %, U {np.median(doubt):.2f} %, held {held:.0f} %{few}"


if __name__ == "__main__":
    main()
