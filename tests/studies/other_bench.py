"""A second, independent bench: it shares no code and no equation with the simulator.

The core is judged on stands that its authors did not tune it on. Everything here is described by a few laws of the
trade, chosen to differ from the simulator's: flow of the unit by an empirical curve instead of an impeller, valve
characteristics of four shapes, a meter with unequal vanes, pressure noise made of a pulsation, pink noise and spikes, a
current with ripple, a supply with hum, a hand that turns unevenly, and scan periods that are no whole milliseconds.
All figures are invented and plausible; none has a source.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from daq.judge.requirement import Quantity, Requirement
from daq.measure.channels import (
    Channels,
    Distribution,
    Doubt,
    FlowInput,
    PressureInput,
    PressureKind,
    ShuntInput,
    TemperatureInput,
    VoltageInput,
)
from daq.procedure.plan import Kind, Limits, Part, Principle, Stand
from daq.procedure.run import Run
from daq.procedure.table import Do
from drivers.block import AnalogInput, Block, Feature, Identity, Input, Role

Floats = NDArray[np.float64]
LITRE_PER_HOUR = 1.0 / 3.6e6
TICK_HZ = 1_000_000
TEST_VOLTAGE = 13.0
ROLES = (Role.PRESSURE, Role.SUPPLY_VOLTAGE, Role.SHUNT, Role.FLUID_TEMPERATURE)
INNER_S = 1e-3


@dataclass(frozen=True, slots=True)
class Pump:
    """A unit by its curve at test voltage: free flow (m³/s), pressure against a shut valve without relief (Pa), the
    bend of the curve, the relief valve's pressure (Pa) and steepness (m³/s/Pa), currents (A) free and at shutoff."""

    free: float
    stop: float
    bend: float
    relief: float
    steep: float
    current_free: float
    current_stop: float
    start_s: float

    def flow(self, pressure: float, volts: float) -> float:
        """Flow out of the unit against `pressure`, relief taken off."""
        n = max(volts, 0.0) / TEST_VOLTAGE
        stop = self.stop * n * n
        share = 1.0 - (max(pressure, 0.0) / stop) ** self.bend if stop > 0.0 else 0.0
        return self.free * n * share - self.steep * max(pressure - self.relief, 0.0)

    def current(self, pressure: float, volts: float) -> float:
        """Current in amperes: a share of friction, and a share that carries the pressure."""
        n = max(volts, 0.0) / TEST_VOLTAGE
        return n * (self.current_free + (self.current_stop - self.current_free) * max(pressure, 0.0) / self.stop)


@dataclass(frozen=True, slots=True)
class Rig:
    """A stand as it really is, with the configuration that says so."""

    stand: Stand
    identity: Identity
    open_drop: float
    shape: int
    compliance: float
    leads: float
    source: float
    vanes: Floats
    meter_lag: float
    hands: tuple[float, float]
    block: int


@dataclass(frozen=True, slots=True)
class Errors:
    """Systematic errors within what the configuration states: pressure (Pa, share), current (A, share), volts (share),
    meter (share); zeros of pressure (Pa) and current (A)."""

    pressure: tuple[float, float]
    current: tuple[float, float]
    volts: float
    meter: float
    zeros: tuple[float, float]


def _uniform_log(draw: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(draw.uniform(np.log(low), np.log(high))))


def draw_pump(draw: np.random.Generator) -> Pump:
    """A sound unit."""
    free = float(draw.uniform(85.0, 150.0)) * LITRE_PER_HOUR
    relief = float(draw.uniform(430e3, 640e3))
    return Pump(
        free=free,
        stop=relief * float(draw.uniform(1.25, 2.2)),
        bend=float(draw.uniform(1.0, 1.8)),
        relief=relief,
        steep=free / float(draw.uniform(15e3, 40e3)),
        current_free=float(draw.uniform(2.5, 5.0)),
        current_stop=float(draw.uniform(6.0, 10.0)),
        start_s=float(draw.uniform(0.05, 0.3)),
    )


def draw_rig(draw: np.random.Generator) -> Rig:
    """A stand: meter, rate, converter, transducer, leads, valve and hand at random."""
    pulses = _uniform_log(draw, 500e3, 10e6)
    hz = int(draw.choice((50, 64, 90, 144, 220, 333, 480, 750, 1000)))
    bits = int(draw.integers(10, 17))
    leads, lag = float(draw.uniform(0.0, 0.1)), _uniform_log(draw, 0.03, 0.3)
    full = float(draw.choice((0.7e6, 1e6, 1.6e6)))
    count = 5.0 / 2 ** min(bits, 15)
    kind = (PressureKind.RATIOMETRIC, PressureKind.VOLTAGE)[int(draw.integers(2))]
    out = (0.1, 0.9) if kind is PressureKind.RATIOMETRIC else (0.25, 4.75)
    span = out[1] - out[0]
    open_drop = float(draw.uniform(3e3, 20e3)) / (120 * LITRE_PER_HOUR) ** 2
    channels = Channels(
        pressure=PressureInput(
            kind=kind,
            low=0.0,
            high=full,
            out_low=out[0],
            out_high=out[1],
            valid_low=out[0] - 0.05 * span,
            valid_high=out[1] + 0.05 * span,
            k_line=1.15 * open_drop,
            line_tolerance=max(5e3, 0.006 * full),
            doubts=(
                Doubt("calibration", absolute=0.0025 * full, distribution=Distribution.NORMAL),
                Doubt("linearity", absolute=0.001 * full),
            ),
            compliance=1.5e-12,
        ),
        shunt=ShuntInput(
            r20=4e-3,
            gain=40.0,
            full_scale=25.0,
            temperature_doubt=0.0,
            doubts=(Doubt("calibration", relative=0.006, distribution=Distribution.NORMAL), Doubt("offset", 0.01)),
        ),
        voltage=VoltageInput(0.2, lead_resistance=leads, doubts=(Doubt("calibration", relative=0.003),)),
        flow=FlowInput(
            k_table=((20.0 * LITRE_PER_HOUR * pulses, pulses), (200.0 * LITRE_PER_HOUR * pulses, pulses)),
            stall_flow=1.5 * LITRE_PER_HOUR,
            lag=lag,
            doubts=(Doubt("calibration", relative=0.006, distribution=Distribution.NORMAL),),
        ),
        temperature=TemperatureInput(0.5, 0.01),
    )
    analog = tuple(AnalogInput(role, bits, 0, count) for role in ROLES)
    identity = Identity(1, Feature(0), f"other-{hz}", "1.0.0", Input(0), 1, 1, TICK_HZ, hz, 0, 0, analog, (1,))
    vanes = 1.0 + float(draw.choice((0.0, 0.01, 0.03))) * draw.standard_normal(int(draw.integers(4, 9)))
    return Rig(
        stand=Stand("marrow-hill", "other-bench", channels, Limits()),
        identity=identity,
        open_drop=open_drop,
        shape=int(draw.integers(4)),
        compliance=1.5e-12 * float(draw.uniform(0.75, 1.25)),
        leads=leads,
        source=float(draw.uniform(0.002, 0.02)),
        vanes=np.asarray(vanes / vanes.mean()),
        meter_lag=lag * float(draw.uniform(0.75, 1.25)),
        hands=(_uniform_log(draw, 1.0, 20.0), float(draw.uniform(0.3, 2.0))),
        block=max(1, round(hz * float(draw.uniform(0.02, 0.1)))),
    )


def draw_errors(rig: Rig, draw: np.random.Generator) -> Errors:
    """Errors of the very shapes and sizes that the configuration states."""
    normal, even = draw.standard_normal, lambda: float(draw.uniform(-1.0, 1.0))
    full = rig.stand.channels.pressure.high
    return Errors(
        pressure=(0.00125 * full * float(normal()) + 0.001 * full * even(), 0.0),
        current=(0.01 * even(), 0.003 * float(normal())),
        volts=0.003 * even(),
        meter=0.003 * float(normal()),
        zeros=(1.5e3 * even(), 0.03 * even()),
    )


def opening(shape: int, travel: float) -> float:
    """The valve's conductance as a share of that when open: linear, equal shares, quick to open, or a late seat."""
    if travel <= 0.0:
        return 0.0
    return (
        travel,
        float((30.0**travel - 1.0) / 29.0),
        float(travel**0.5),
        max(0.0, (travel - 0.15) / 0.85),
    )[shape]


@dataclass(slots=True)
class Bench:
    """A unit on a rig, and a person who does what the run asks. `block` moves on by one block of the device."""

    rig: Rig
    pump: Pump
    errors: Errors
    draw: np.random.Generator
    supply: float
    t: float = 0.0
    pressure: float = 0.0
    volts: float = 0.0
    amperes: float = 0.0
    flow: float = 0.0
    speed: float = 0.0
    power: bool = False
    in_fluid: bool = False
    travel: float = 1.0
    aim: float = 1.0
    seconds: float = 1.0
    metered: float = 0.0
    turned: float = 0.0
    edges: int = 0
    last: int = -1
    scans: int = 0
    pink: Floats = field(default_factory=lambda: np.zeros(5))
    truth: list[tuple[float, float, float, float, float]] = field(default_factory=list)
    _asked: tuple[str, float] = ("", 0.0)
    _done: bool = True
    _next_vane: float = 0.0
    _off_at: float = np.inf

    # The plant, by steps of a millisecond.

    def _advance(self, seconds: float) -> None:
        steps = max(1, round(seconds / INNER_S))
        dt = seconds / steps
        for _ in range(steps):
            self._turn_valve(dt)
            self._plant(dt)
            self._meter(dt)
            self.t += dt

    def _turn_valve(self, dt: float) -> None:
        # A hand turns in pulls: quick, then a pause to change the grip.
        pull = 1.6 if (self.t % 0.9) < 0.55 else 0.05
        step = pull * dt / self.seconds
        self.travel += min(max(self.aim - self.travel, -step), step)

    def _plant(self, dt: float) -> None:
        goal = 1.0 if self.power else 0.0
        self.speed += (goal - self.speed) * dt / (self.pump.start_s if self.power else 0.4)
        if self.power:
            load = self.pressure if self.in_fluid else 0.0
            share = 1.0 if self.in_fluid else 0.25
            inrush = 2.5 * (1.0 - self.speed)
            self.amperes = self.pump.current(load, self.volts) * share * (self.speed + inrush)
            self.volts = self.supply - (self.rig.source + self.rig.leads) * self.amperes
        else:
            self.amperes, self.volts = 0.0, 0.8 * TEST_VOLTAGE * self.speed
        given = self.pump.flow(self.pressure, self.volts) * self.speed if self.in_fluid and self.power else 0.0
        conductance = opening(self.rig.shape, self.travel) / self.rig.open_drop**0.5
        # implicit in the flow through the valve, which is stiff near zero
        a, b = dt / self.rig.compliance * conductance, self.pressure + dt * max(given, 0.0) / self.rig.compliance
        root = 0.5 * (-a + (a * a + 4.0 * max(b, 0.0)) ** 0.5)
        self.pressure = root * root
        self.flow = conductance * root

    def _meter(self, dt: float) -> None:
        self.metered += (self.flow - self.metered) * dt / self.rig.meter_lag
        if self.metered < 0.7 * LITRE_PER_HOUR:
            return
        pulses = self.rig.stand.channels.flow.k_table[0][1] * (1.0 + self.errors.meter)
        before, self.turned = self.turned, self.turned + self.metered * pulses * dt
        while self._next_vane <= self.turned:
            share = (self._next_vane - before) / (self.turned - before)
            self.edges += 1
            self.last = int((self.t + share * dt) * TICK_HZ)
            self._next_vane += float(self.rig.vanes[self.edges % len(self.rig.vanes)])

    # The device.

    def block(self) -> Block:
        """The next block."""
        hz, n = self.rig.identity.sample_hz, self.rig.block
        rows = np.empty((n, 4))
        first = self.scans
        for k in range(n):
            self.scans += 1
            self._advance(self.scans / hz - self.t)
            rows[k] = self._shown(1.0 / hz)
        self.truth.append((self.t, self.pressure, self.volts, self.amperes, self.flow))
        top = 2 ** min(self.rig.identity.analog[0].bits, 15) - 1
        raw = np.clip(np.floor(rows / self.rig.identity.analog[0].volts_per_count + 0.5), 0, top)
        over = sum(1 << k for k in range(4) if (raw[:, k] >= top).any())
        return Block(
            boot=1,
            tick=round((first + 1) / hz * TICK_HZ),
            index=first,
            values=raw.astype(np.int16),
            edges=np.array([self.edges]),
            last_edge=np.array([self.last]),
            overrange=over,
        )

    def _shown(self, dt: float) -> Floats:
        """Volts of one scan."""
        p, e, c, draw = self.pressure, self.errors, self.rig.stand.channels, self.draw
        keep = np.exp(-dt / np.array([0.01, 0.04, 0.15, 0.6, 2.0]))
        self.pink = keep * self.pink + np.sqrt(1.0 - keep**2) * draw.standard_normal(5)
        noise = 0.0008 * float(draw.standard_normal()) + 0.0003 * float(self.pink.sum())
        noise += 0.003 * self.speed * np.sin(2.0 * np.pi * 417.0 * self.t)
        if draw.random() < 0.002:
            noise += float(draw.choice((-1.0, 1.0))) * float(draw.uniform(0.01, 0.03))
        known = min(p / 5e3, 1.0)
        pressure = p * (1.0 + noise) + 150.0 * float(draw.standard_normal()) + e.zeros[0] + known * e.pressure[0]
        i = self.amperes
        ripple = 1.0 + 0.05 * np.sin(2.0 * np.pi * 911.0 * self.t) + 0.01 * float(draw.standard_normal())
        current = i * ripple * (1.0 + e.current[1]) + min(i / 0.2, 1.0) * e.current[0] + e.zeros[1]
        sagged = self.volts + self.rig.leads * i - self.rig.source * i * (ripple - 1.0)
        sensed = sagged * (1.0 + e.volts) + 0.01 * np.sin(2.0 * np.pi * 100.0 * self.t)
        share = (pressure - c.pressure.low) / (c.pressure.high - c.pressure.low)
        out = c.pressure.out_low + share * (c.pressure.out_high - c.pressure.out_low)
        out *= c.pressure.excitation if c.pressure.kind is PressureKind.RATIOMETRIC else 1.0
        celsius = 22.0 + 0.05 * float(draw.standard_normal())
        return np.array([out, 0.2 * sensed, c.shunt.r20 * c.shunt.gain * current, 0.5 + 0.01 * celsius])

    # The person.

    def obey(self, run: Run) -> None:
        """Does what the run asks, a while after it was asked."""
        do = run.now.do
        if self.t >= self._off_at:
            self.power, self._off_at = False, np.inf
        word = f"{do} asked" if run.now.asked else str(do)
        if word != self._asked[0]:
            self._asked, self._done = (word, self.t + float(self.draw.uniform(0.4, 1.8))), False
        if self._done or self.t < self._asked[1]:
            return
        self._done = self._act(do, run)

    def _act(self, do: Do, run: Run) -> bool:
        slow, quick = self.rig.hands
        match do:
            case Do.CONNECT:
                run.confirm("connected")
            case Do.IMMERSE:
                self.in_fluid = True
                run.confirm("in_fluid")
            case Do.POWER_ON:
                self.power = True
            case Do.DRY_CHECK:
                # The person knows that it is for a second only, and does not wait for the next prompt.
                self.power, self._off_at = True, self.t + float(self.draw.uniform(1.05, 1.5))
            case Do.POWER_OFF:
                self.power = False
            case Do.CLOSE_VALVE_SLOWLY | Do.OPEN_VALVE_SLOWLY:
                self.aim, self.seconds = float(do is Do.OPEN_VALVE_SLOWLY), slow
            case Do.CLOSE_VALVE | Do.OPEN_VALVE:
                self.aim, self.seconds = float(do is Do.OPEN_VALVE), quick
                if self.travel != self.aim:
                    return False
                if run.now.asked:
                    run.confirm("valve_open" if do is Do.OPEN_VALVE else "valve_shut")
            case _:
                pass
        return True


def steady(rig: Rig, pump: Pump, volts: float, *, opened: bool) -> dict[str, float]:
    """The steady signals at exact `volts` at the terminals, by bisection on the pressure."""
    conductance = (1.0 if opened else 0.0) / rig.open_drop**0.5
    low, high = 0.0, pump.stop * (volts / TEST_VOLTAGE) ** 2
    for _ in range(80):
        middle = 0.5 * (low + high)
        if pump.flow(middle, volts) > conductance * middle**0.5:
            low = middle
        else:
            high = middle
    return {"flow": conductance * low**0.5, "pressure": low, "peak_pressure": low, "current": pump.current(low, volts)}


def part_of(rig: Rig, pump: Pump, margins: tuple[float, float, float, float], guard: float = 1.0) -> Part:
    """A part whose limits lie so many shares from what the unit does (positive: the unit is better than its limit)."""
    opened, shut = (steady(rig, pump, TEST_VOLTAGE, opened=way) for way in (True, False))
    q, p, i, j = margins
    needs = (
        Requirement("free flow", Quantity.FLOW, "free_flow", at_least=opened["flow"] / (1.0 + q), guard=guard),
        Requirement("shutoff", Quantity.PEAK_PRESSURE, "shutoff", at_least=shut["pressure"] / (1.0 + p), guard=guard),
        Requirement("current", Quantity.CURRENT, "free_flow", at_most=opened["current"] * (1.0 + i), guard=guard),
        Requirement("load", Quantity.CURRENT, "shutoff", at_most=shut["current"] * (1.0 + j), guard=guard),
    )
    return Part(
        number="OB-1",
        revision=1,
        digest="",
        description="unit of the other bench",
        kind=Kind.PUMP,
        principle=Principle.TURBINE,
        test_voltage=TEST_VOLTAGE,
        voltage_tolerance=0.5,
        requirements=needs,
    )
