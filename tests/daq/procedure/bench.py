"""A bench on paper: a unit, a valve and a person who does at once what a run asks, in sample time.

The levels are constant but for noise, so that what a reading must be is known; physics is the simulator's affair.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from daq.judge.requirement import Quantity, Requirement
from daq.procedure.effects import Alarm, Effect, Outcome
from daq.procedure.plan import Kind, Limits, Part, Principle, Reading, Stand
from daq.procedure.run import Run
from daq.procedure.table import Do
from drivers.block import Block, Identity, Role
from tests.daq.measure.blocks import (
    CHANNELS,
    FLOW,
    LITRES_PER_HOUR,
    PRESSURE,
    ROLES,
    Line,
    clipped,
    counts_of,
    identity,
)

SETTINGS = Reading(settle=0.6, window=1.0)
LIMITS = Limits(stage_s=8.0, ask_s=8.0, fill_s=12.0, no_flow_s=3.0)
STAND = Stand("marrow-hill", "bench-1", CHANNELS, LIMITS, SETTINGS)
BLOCK = 25
DT = BLOCK / 500
LEAST_VOLTS = 13.2
"""The parts here are tested at 13.5 V ± 0.3 V."""

PUMP_NEEDS = (
    Requirement("turns", Quantity.CURRENT, "dry_check", at_least=0.3, at_most=7.0),
    Requirement("free flow", Quantity.FLOW, "free_flow", at_least=110 * LITRES_PER_HOUR),
    Requirement("current, free flow", Quantity.CURRENT, "free_flow", at_most=7.0),
    Requirement("shutoff pressure", Quantity.PEAK_PRESSURE, "shutoff", at_least=450e3, at_most=800e3),
)
MODULE_NEEDS = (
    Requirement("fills", Quantity.FILL_TIME, "fill", at_most=10.0),
    Requirement("regulated pressure", Quantity.PEAK_PRESSURE, "shutoff", at_least=380e3, at_most=620e3),
    Requirement("free flow", Quantity.FLOW, "free_flow", at_least=95 * LITRES_PER_HOUR),
)


def pump(*needs: Requirement, **more: object) -> Part:
    part = Part(
        number="MH-2101",
        revision=1,
        digest="",
        description="bare pump",
        kind=Kind.PUMP,
        principle=Principle.TURBINE,
        test_voltage=13.5,
        voltage_tolerance=0.3,
        requirements=needs or PUMP_NEEDS,
        shutoff_limit_s=6.0,
    )
    return replace(part, **more)  # type: ignore[arg-type]  # names of fields with their values


def module(kind: Kind = Kind.MODULE, **more: object) -> Part:
    part = pump(*MODULE_NEEDS, number="MH-3310", kind=kind, dry_check_s=None, fill_limit_s=10.0)
    return replace(part, **more)  # type: ignore[arg-type]


@dataclass(slots=True)
class Unit:
    """What lies on the bench: what it gives with the valve open (m³/s), with the valve shut (Pa), and draws (A).

    Behind a shut valve its pressure falls with the time constant `holds` (s) once power is off. While its motor runs
    down, for `run_down` (s), it gives the share `emf` of the supply's voltage, falling from there to nothing; with
    `plateau` it falls only at the end.
    """

    free_flow: float = 125 * LITRES_PER_HOUR
    shutoff: float = 500e3
    current: float = 5.0
    fills_in: float = 6.0
    holds: float = 60.0
    run_down: float = 0.0
    emf: float = 0.9
    plateau: bool = False


@dataclass(slots=True)
class Bench:
    """Everything at the bench. A test changes it through `hook`, which is called before every block.

    The channels in `stuck` repeat the count that they had when they got there, or it and the next if it `flickers`;
    those in `quiet` have no scatter, and
    with `holds` all give each value for so many blocks. With `upstream` the voltage is sensed before the switch.
    What a role's channel shows is `gains` times what is there, and the meter's pulses are `meter_gain` times as many;
    `extra` (Pa) adds to the pressure in the line.
    `powered_s` is how long there was power, `lowest` (V) the lowest supply that it had.
    """

    unit: Unit = field(default_factory=Unit)
    supply: float = 13.5
    celsius: float = 22.0
    zero: float = 0.0
    power: bool = False
    upstream: bool = False
    powered_s: float = 0.0
    lowest: float = math.inf
    valve: float = 1.0
    level: float = 0.0
    obeys: bool = True
    leaves: frozenset[Do] = frozenset()
    confirms_valve: bool = True
    meter_alive: bool = True
    level_fitted: bool = True
    silent_wires: dict[Role, float] = field(default_factory=dict)
    gains: dict[Role, float] = field(default_factory=dict)
    meter_gain: float = 1.0
    extra: float = 0.0
    stuck: set[Role] = field(default_factory=set)
    flickers: bool = False
    quiet: frozenset[Role] = frozenset()
    holds: int = 1
    lose: bool = False
    rng: np.random.Generator = field(default_factory=lambda: np.random.default_rng(7))
    line: Line = field(default_factory=Line)
    t: float = 0.0
    pressure: float = 0.0
    captures: int = 0
    pulses_per_litre: float = 4600.0
    jumps: bool = False
    hook: Callable[["Bench", Run], None] = lambda _bench, _run: None
    effects: list[Effect] = field(default_factory=list)
    _phase: float = 0.0
    _held: NDArray[np.int16] | None = None
    _stuck_at: dict[Role, int] = field(default_factory=dict)
    aim: float = 1.0
    _off_at: float = -math.inf
    _quick: bool = False

    @property
    def pumping(self) -> float:
        """The flow through the valve, m³/s."""
        return self.unit.free_flow * self.valve if self.power and self.valve > 0.03 else 0.0

    def levels(self) -> dict[Role, float]:
        """What the sensors are at."""
        line = PRESSURE.k_line * self.pumping**2
        if self.power:
            self.pressure = self.unit.shutoff * (1 - self.valve) + line
        else:
            self.pressure *= 1 - DT / self.unit.holds if self.valve == 0.0 else 0.0
        levels = {
            Role.PRESSURE: self.pressure + self.zero + (self.extra if self.power else 0.0),
            Role.SUPPLY_VOLTAGE: self.supply if self.power or self.upstream else self.supply * self._induced(),
            Role.SHUNT: self.unit.current if self.power else 0.0,
            Role.FLUID_TEMPERATURE: self.celsius + 273.15,
            Role.LEVEL: self.level,
        }
        return {role: level * self.gains.get(role, 1.0) for role, level in levels.items()}

    def _induced(self) -> float:
        """The share of the supply's voltage at the terminals of a motor that runs down."""
        left = 1.0 - (self.t - self._off_at) / self.unit.run_down if self.unit.run_down else 0.0
        return 0.0 if left <= 0.0 else self.unit.emf * (1.0 if self.unit.plateau else left)

    def block(self) -> Block:
        """The next 50 ms."""
        self._move()
        now = self.levels() | self.silent_wires
        noise = {Role.PRESSURE: 0.003 * now[Role.PRESSURE] + 100, Role.SHUNT: 0.02, Role.SUPPLY_VOLTAGE: 0.01}
        scatter = {r: (r not in self.quiet) * noise.get(r, 0.0) * self.rng.standard_normal(BLOCK) for r in ROLES}
        return self.line.block(self._spoilt(clipped(counts_of({r: now[r] + scatter[r] for r in ROLES}))), self._edges())

    def _spoilt(self, counts: NDArray[np.int16]) -> NDArray[np.int16]:
        if self._held is None or round(self.t / DT) % self.holds == 0:
            self._held = counts[0].copy()
        if self.holds > 1:
            counts[:] = self._held
        for role in self._stuck_at.keys() - self.stuck:
            del self._stuck_at[role]
        for role in self.stuck:
            k = ROLES.index(role)
            counts[:, k] = self._stuck_at.setdefault(role, int(counts[0, k]))
            if self.flickers:
                counts[:, k] += self.rng.integers(0, 2, BLOCK, dtype=np.int16)
        return counts

    def _move(self) -> None:
        self.t += DT
        travel = DT / (0.05 if self.jumps else 0.2 if self._quick else 1.0)
        self.valve += min(max(self.aim - self.valve, -travel), travel)
        if self.power:
            self.powered_s += DT
            self.lowest = min(self.lowest, self.supply)
            self.level = min(self.level + DT / self.unit.fills_in, 1.0)

    def _edges(self) -> list[int]:
        """Ticks of the edges up to the block's last scan; the flow is the same all through the block."""
        if not self.meter_alive or self.pumping == 0.0:
            return []
        hertz = self.pumping * FLOW.k_table[2][1] * self.pulses_per_litre / 4600.0 * self.meter_gain
        before, after = self._phase, self._phase + hertz * DT
        self._phase = after
        first = self.line.scans * self.line.per_scan
        whole = np.arange(np.floor(before) + 1, np.floor(after) + 1)
        return [first + int((k - before) / hertz * 1e6) - 2_000 for k in whole]

    def obey(self, run: Run) -> None:
        """Does what is asked, at once."""
        do = run.now.do
        if do in self.leaves or not self.obeys:
            return
        if do in _HANDS:
            _HANDS[do](self, run)

    def say(self, run: Run, what: str) -> None:
        self.effects += run.confirm(what)

    def turn(self, goal: float, quick: bool) -> None:
        self.aim, self._quick = goal, quick

    def switch(self, on: bool) -> None:
        if self.power and not on:
            self._off_at = self.t
        self.power = on

    def shut(self, run: Run) -> None:
        self.turn(0.0, quick=True)
        if self.confirms_valve and self.valve == 0.0 and (run.now.asked or not self.power):
            self.say(run, "valve_shut")

    def open(self, run: Run) -> None:
        self.turn(1.0, quick=True)
        if self.confirms_valve and self.valve == 1.0 and run.now.asked:
            self.say(run, "valve_open")

    def watch(self, run: Run) -> None:
        if not self.level_fitted and run.stage == "fill" and self.level >= 1.0:
            self.say(run, "filled")


_HANDS: dict[Do, Callable[[Bench, Run], None]] = {
    Do.CONNECT: lambda b, r: b.say(r, "connected"),
    Do.DRY_CHECK: lambda b, _: b.switch(True),
    Do.IMMERSE: lambda b, r: b.say(r, "in_fluid"),
    Do.HOLD_RETURN: lambda b, r: b.say(r, "return_held"),
    Do.POWER_ON: lambda b, _: b.switch(True),
    Do.POWER_OFF: lambda b, _: b.switch(False),
    Do.CLOSE_VALVE: lambda b, r: b.shut(r),
    Do.OPEN_VALVE: lambda b, r: b.open(r),
    Do.CLOSE_VALVE_SLOWLY: lambda b, _: b.turn(0.0, quick=False),
    Do.OPEN_VALVE_SLOWLY: lambda b, _: b.turn(1.0, quick=False),
    Do.WAIT: lambda b, r: b.watch(r),
}


def carry_out(part: Part, bench: Bench, stand: Stand = STAND, seconds: float = 120.0) -> Outcome:
    """A whole run; what it said stands in `bench.effects`."""
    run = begin(part, stand)
    drive(run, bench, seconds)
    assert run.outcome is not None, f"not ended after {seconds} s: stage {run.stage}, asks {run.now}"
    return run.outcome


def begin(part: Part, stand: Stand = STAND, device: Identity | None = None) -> Run:
    return Run(part, stand, device or identity(), {})


def drive(run: Run, bench: Bench, seconds: float) -> None:
    """Blocks for so many seconds or to the run's end. No supply but one that was low may be called low."""
    _drive(run, bench, bench.t + seconds)
    if bench.lowest >= LEAST_VOLTS and not bench.silent_wires:
        assert not [e for e in bench.effects if isinstance(e, Alarm) and e.code == "supply_low"]


def _drive(run: Run, bench: Bench, end: float) -> None:
    while run.outcome is None and bench.t < end - 1e-9:
        bench.hook(bench, run)
        if run.outcome is not None:
            return
        bench.obey(run)
        if run.outcome is not None:
            return
        block = bench.block()
        if bench.lose:
            bench.line.lose(block)
        else:
            bench.effects += run.feed(block)
