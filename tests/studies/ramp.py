"""How a driven valve closes, opens and holds a pressure on simulated units, beside one that closes evenly.

The units are those of the simulated bench, sensors with noise but without systematic errors, and the way from a scan to
the valve and back is the whole one: blocks, steps, a line that takes its time, an actuator with a travel of its own.
Run: python -m tests.studies.ramp
"""

import math
import sys
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from daq.measure.steps import STEP_S, Measuring, Step
from daq.procedure.plan import Drive
from daq.procedure.ramp import Ramp
from simulator.fast import Clean, FastBench, identity_of
from simulator.scenario import load_scenario
from tests.daq.procedure.pipes import DISPLACEMENT, OPENINGS, REGULATED, STICKING, Made, Pipe
from tests.studies.common import show
from tests.studies.curve import channels

LINE_S = 0.04
"""A command is at the actuator so long after the block that it answers to: link, daemon and firmware. A block more is
spent on gathering the scans."""
UNITS = {
    "good-pump": 300e3,
    "weak-pump": 300e3,
    "worn": 200e3,
    "weak-relief": 300e3,
    "high-pressure": 400e3,
    "displacement": 300e3,
    "displacement-worn": 300e3,
    "module": 380e3,
    "module-return": 300e3,
}
"""The pressure at which each is held: a requirement's `at` where its part has one."""
TRAVELS = (1.0, 2.0, 4.0, 8.0)
SETTLED = 0.005, 1e3
"""Pressure has settled within this share of it, or within so many Pa where that is more."""
SPAN = 4
"""Rates of change are those over so many blocks."""


@dataclass(frozen=True, slots=True)
class Case:
    """A unit, the seconds that the actuator takes from end to end, and what the stand says of it."""

    unit: str
    actuator: float
    drive: Drive


@dataclass(frozen=True, slots=True)
class Closed:
    """How a valve closed: seconds from open to shut, how far pressure rose above what it settled to (Pa), its quickest
    rise (Pa/s) and the seconds at shutoff until it had settled."""

    seconds: float
    overshoot: float
    rate: float
    settles: float


@dataclass(frozen=True, slots=True)
class Held:
    """How a pressure was held: seconds until the ramp said so (NaN: never), how far pressure truly was from it on
    average over the two seconds after, and how far it had gone past before (both Pa)."""

    seconds: float
    off: float
    past: float


class Stand:
    """A unit in the fluid, running with the valve open (a module: full, the valve shut)."""

    def __init__(self, case: Case, seed: int) -> None:
        scenario = load_scenario("depot")
        design = scenario.units[case.unit]
        self.bench = FastBench(scenario, design, np.random.default_rng((seed, 77)), misread={})
        self.case = case
        self.module = design.unit.module is not None
        self.ramp = Ramp(case.drive, 0.0 if self.module else 1.0)
        self.last: Step | None = None
        self._measuring = Measuring(channels(), identity_of(scenario))
        self._on_the_way: deque[tuple[float, float, float]] = deque()
        self.bench.aim_valve(self.ramp.position, 0.1)
        self.bench.connect()
        self.bench.immerse()
        self.bench.hold_return()
        self.wait(1.0)
        self.bench.switch(True)
        self.wait(2.0)
        while self.module and (self.bench.level or 0.0) < 0.9:
            self.wait(1.0)

    @property
    def time(self) -> float:
        return self.bench.time

    def tell(self, position: float, travel: float | None = None) -> None:
        """A command goes to the actuator."""
        self._on_the_way.append((self.time + LINE_S, position, travel or self.case.actuator))

    def block(self) -> list[Step]:
        while self._on_the_way and self._on_the_way[0][0] <= self.time + 1e-9:
            self.bench.aim_valve(*self._on_the_way.popleft()[1:])
        steps = self._measuring.feed(self.bench.block())
        self.last = steps[-1] if steps else self.last
        return steps

    def wait(self, seconds: float) -> list[Step]:
        end, steps = self.time + seconds, []
        while self.time < end - 1e-9:
            steps += self.block()
        return steps

    def drive(self, call: Callable[[Step], float], done: Callable[[], bool], limit: float = 90.0) -> list[Step]:
        """Blocks until it is done, each step answered by a command."""
        end, steps = self.time + limit, []
        while not done() and self.time < end:
            for step in self.block():
                steps.append(step)
                self.tell(call(step))
        return steps

    @property
    def travel(self) -> float:
        """Where the valve truly is."""
        return self.bench.plant.travel

    def really(self, since: float) -> NDArray[np.float64]:
        """Time and pressure as they truly were at the end of each block."""
        clean = self.bench.clean()
        return np.asarray(clean[clean[:, Clean.TIME] >= since][:, [Clean.TIME, Clean.PRESSURE]])

    def quickest(self, since: float) -> float:
        """The quickest that pressure changed, Pa/s."""
        t, p = self.really(since).T
        return float(np.max(np.abs(p[SPAN:] - p[:-SPAN]) / (t[SPAN:] - t[:-SPAN])))

    def close(self, seconds: float | None = None) -> Closed:
        """Closes the valve by its ramp, or evenly in so many seconds."""
        begun = self.time
        if seconds is None:
            steps = self.drive(self.ramp.close, lambda: self.ramp.shut)
        else:
            self.tell(0.0, seconds)
            steps = []
        while self.travel > 0.0:
            steps += self.block()
        shut, rate = self.time, self.quickest(begun)
        after = self.wait(5.0)
        pressure = np.array([s.pressure for s in after])
        settled = float(np.mean(pressure[-40:]))
        apart = np.flatnonzero(np.abs(pressure - settled) > max(SETTLED[0] * settled, SETTLED[1]))
        highest = max(s.pressure for s in [*steps, *after])
        return Closed(shut - begun, highest - settled, rate, 0.05 * (apart[-1] + 1) if apart.size else 0.0)

    def open(self) -> tuple[float, float]:
        """Opens the valve; seconds and the quickest fall, Pa/s."""
        begun = self.time
        self.drive(self.ramp.open, lambda: self.ramp.opened)
        while self.travel < 1.0:
            self.block()
        taken, rate = self.time - begun, self.quickest(begun)
        self.wait(1.0)
        return taken, rate

    def hold(self, pressure: float) -> Held:
        assert self.last is not None
        begun, rising = self.time, self.last.pressure < pressure
        self.drive(lambda s: self.ramp.hold(s, pressure), lambda: self.ramp.settled, limit=40.0)
        found, settled = self.time, self.ramp.settled
        beyond = (self.really(begun)[:, 1] - pressure) * (1.0 if rising else -1.0)
        self.wait(2.0)
        off = float(np.mean(self.really(found)[:, 1])) - pressure
        return Held(found - begun if settled else math.nan, off, max(0.0, float(np.max(beyond))))


@dataclass(frozen=True, slots=True)
class Told:
    """All that one case showed, and an even closing in the same time. `first` is a module's first opening."""

    closed: Closed
    even: Closed
    opened: tuple[float, float]
    held: Held
    first: tuple[float, float] | None


@cache
def told(case: Case, seed: int) -> Told:
    stand = Stand(case, seed)
    first = stand.open() if stand.module else None
    closed = stand.close()
    opened = stand.open()
    held = stand.hold(UNITS[case.unit])
    stand.drive(stand.ramp.open, lambda: stand.ramp.opened)
    stand.wait(case.actuator)
    even = stand.close(closed.seconds)
    return Told(closed, even, opened, held, first)


def cases(units: Iterable[str], travels: Iterable[float], drive: Drive) -> list[Case]:
    return [Case(u, t, replace(drive, travel=max(drive.travel, t))) for u in units for t in travels]


def _row(case: Case, seeds: int) -> list[str]:
    all_told = [told(case, seed) for seed in range(seeds)]

    def worst(of: Callable[[Told], float], factor: float = 1e-3, digits: int = 0) -> str:
        values = [of(one) * factor for one in all_told]
        return f"{max(values, key=lambda v: math.inf if math.isnan(v) else abs(v)):.{digits}f}"

    first = f", first {worst(lambda o: o.first[1] if o.first else 0.0)}" if all_told[0].first else ""
    return [
        case.unit,
        f"{case.actuator:.0f} s",
        f"{worst(lambda o: o.closed.seconds, 1.0, 1)} s",
        f"{worst(lambda o: o.closed.overshoot, digits=1)} ({worst(lambda o: o.even.overshoot, digits=1)})",
        f"{worst(lambda o: o.closed.rate)} ({worst(lambda o: o.even.rate)})",
        f"{worst(lambda o: o.closed.settles, 1.0, 1)} ({worst(lambda o: o.even.settles, 1.0, 1)}) s",
        f"{worst(lambda o: o.opened[0], 1.0, 1)} s, {worst(lambda o: o.opened[1])}{first}",
        f"{UNITS[case.unit] / 1e3:.0f}: {worst(lambda o: o.held.seconds, 1.0, 1)} s, "
        f"{worst(lambda o: o.held.off, digits=1)}, past {worst(lambda o: o.held.past, digits=1)}",
    ]


HEAD = (
    "unit",
    "actuator",
    "open to shut",
    "overshoot kPa",
    "quickest rise kPa/s",
    "settles",
    "shut to open, quickest fall kPa/s",
    "held kPa: after, off, past",
)

OTHERS: dict[str, tuple[Made, float]] = {
    "displacement": (DISPLACEMENT, 1.0),
    "regulator": (REGULATED, 1.0),
    "regulator that lifts off 0.1 s late": (replace(REGULATED, late=0.1), 1.0),
    "steep relief valve, 0.2 s late": (STICKING, 1.0),
    "displacement, actuator 10 % slower than stated": (DISPLACEMENT, 1.1),
    "displacement, actuator 33 % slower than stated": (DISPLACEMENT, 4.0 / 3.0),
}
"""Units against valves that are not the simulator's, and how much slower their actuator is than the stand says."""


def against(made: Made, opening: str, slower: float, even: float | None = None) -> tuple[float, float, float]:
    """Closing against another kind of valve, by the ramp or evenly in so many seconds: seconds that it took, overshoot
    (Pa) and the quickest rise (Pa/s)."""
    drive = Drive(travel=4.0)
    pipe, ramp = Pipe(made, opening, actuator=slower * drive.travel), Ramp(drive)
    pipe.wait(1.0, 1.0)
    begun, pressures, position = pipe.t, [pipe.pressure], 1.0
    while pipe.travel > 0.0 and pipe.t < begun + 60.0:
        step = pipe.step(position)
        pressures.append(pipe.pressure)
        position = ramp.close(step) if even is None else max(0.0, 1.0 - (step.t - begun) / even)
    seconds = pipe.t - begun
    for _ in range(80):
        pipe.step(0.0)
        pressures.append(pipe.pressure)
    p = np.array(pressures)
    return seconds, float(p.max() - p[-1]), float(np.max(np.abs(p[3:] - p[:-3]))) / (3.0 * STEP_S)


def _other(name: str) -> list[str]:
    made, slower = OTHERS[name]
    cells = []
    for opening in OPENINGS:
        seconds, over, rate = against(made, opening, slower)
        _, even_over, even_rate = against(made, opening, slower, seconds)
        cells.append(
            f"{seconds:.1f} s, {over / 1e3:.1f} ({even_over / 1e3:.1f}) kPa, "
            f"{rate / 1e3:.0f} ({even_rate / 1e3:.0f}) kPa/s"
        )
    return [name, *cells]


def main(seeds: int = 3) -> None:
    show(HEAD, (_row(case, seeds) for case in cases(UNITS, TRAVELS, Drive(travel=1.0))))
    sys.stdout.write("\n")
    show(("unit", *OPENINGS), (_other(name) for name in OTHERS))


if __name__ == "__main__":
    main()
