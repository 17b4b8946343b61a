"""Readings: the mean of a quantity over a steady window, corrected, with every doubt that belongs to it."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np

from daq.measure.channels import Channels
from daq.measure.convert import Column, Floats, Zero
from daq.measure.doubts import Doubts
from daq.measure.flow import Flow
from daq.measure.peak import peak_of
from daq.measure.references import References
from daq.measure.scatter import WHITE, Differences, Known, Noise
from daq.measure.uncertainty import RESOLUTION, Combined, Component, Mean, combine, distinct, mean_of

REFERENCE_TEMPERATURE = 293.15
"""Where temperature doubts start to count, K: the usual reference temperature of calibrations (ISO 1)."""
_OF_SUPPLY = frozenset({"supply voltage off", "voltage at the terminals"})
"""Doubts that all readings of a window share; how each follows the voltage, where that is stated, is its own."""
SUPPLY_CORRECTION = "supply voltage"
"""The name of what brings a reading to the test voltage."""
FEWEST_STEPS = 2
"""Flow steps that a window needs: one alone says nothing of how flow scatters."""
UNMEASURED_KELVINS = 10.0
"""Distance from it that is assumed where no channel measures a temperature."""
DITHER = 1.5
"""Steps of a converter that the middle 96 % of samples must take to count as dithered."""
NO_HISTORY: Mapping[str, Known] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Reading:
    """A quantity in a stage, SI: `value` in [`low`, `high`], equal to both unless it is an interval (then NaN).

    `combined` holds U and the distribution; `window` is in seconds of the run; `corrections` are what was added to the
    plain mean, by name; `flags` say what a reader should know. `at` is the pressure, flow or time since power-off
    that the quantity was read at, where it was read at one: `at_flow` says that it is a flow.
    """

    quantity: str
    stage: str
    value: float
    low: float
    high: float
    combined: Combined
    n: int
    n_effective: float
    window: tuple[float, float]
    corrections: tuple[tuple[str, float], ...] = ()
    flags: tuple[str, ...] = ()
    at: float | None = None
    at_flow: bool = False

    @property
    def place(self) -> str:
        """The channel that a place on the curve is stated in: that of a pressure is always a flow."""
        return "flow" if self.at_flow or self.quantity == "pressure" else "pressure"

    @property
    def name(self) -> str:
        """Unique in a run."""
        return f"{self.stage}.{self.quantity}" + ("" if self.at is None else f"@{self.at:g}")

    @property
    def is_interval(self) -> bool:
        return math.isnan(self.value)

    def bounds(self, guard: float) -> tuple[float, float]:
        """y − r·U and y + r·U; an interval stands for itself."""
        if self.is_interval:
            return self.low, self.high
        return self.value - guard * self.combined.U, self.value + guard * self.combined.U


_TURBINE = {"voltage": 1, "flow": 1, "speed": 1, "pressure": 2, "peak_pressure": 2, "current": 2, "power": 3}
_DISPLACEMENT = {"voltage": 1, "flow": 1, "speed": 1, "power": 1}
_RESPONSE = {
    True: {"flow": (0.8, 1.2), "speed": (0.8, 1.25), "current": (0.4, 1.6), "power": (1.4, 2.6)},
    False: {"flow": (0.8, 1.2), "speed": (0.8, 1.25), "current": (0.0, 1.2), "power": (1.0, 2.2)},
}
"""By turbine or not, between which powers of the voltage a quantity goes where the part states no sensitivity: a
unit's flow against its open line and its speed follow the voltage, its current follows load and friction (common
practice, no source; the simulated units lie well within). A pressure may be held by a relief valve or a regulator,
whatever the voltage, so it stays uncorrected and the affinity law bounds it."""


@dataclass(frozen=True, slots=True)
class Supply:
    """How readings follow the supply: the voltage that they are meant for, and d(quantity)/dV with its standard
    uncertainty where the part states one. `turbine`: the affinity laws bound what it does not state. `fluid`: what
    the part is tested in."""

    test_voltage: float
    stated: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    turbine: bool = True
    fluid: str = ""

    @property
    def laws(self) -> Mapping[str, int]:
        """The power of the voltage that a quantity goes with: speed n in proportion to it, Q ∝ n, p ∝ n², and with
        P = V·I ∝ n³ also I ∝ n². A displacement pump keeps its pressure, and with it its torque and current."""
        return _TURBINE if self.turbine else _DISPLACEMENT

    def by_law(self, quantity: str, value: float) -> float:
        """|dy/dV| by these laws."""
        return abs(value) * self.laws.get(quantity, 0) / self.test_voltage

    def per_volt(self, quantity: str, value: float) -> tuple[float, float]:
        """The middle of the range of dy/dV that is possible without a stated one, and half its width."""
        power = self.laws.get(quantity, 0)
        low, high = _RESPONSE[self.turbine].get(quantity, (-power, power))
        scale = abs(value) / self.test_voltage
        return 0.5 * (low + high) * scale, 0.5 * (high - low) * scale


@dataclass(frozen=True, slots=True, eq=False)
class Window:
    """What a stage gives to read: step means by channel (`[n]`), flow steps and the meter's mean, raw pressure samples
    of the peak window, all within `span` seconds of the run. `kelvins` is the distance from reference temperature.

    `flow_noise` and `flow_usual` say what is known of the flow steps' scatter beforehand. Channels whose samples
    scatter over several steps of their converter are `dithered`: then its step hides nothing of the mean.
    """

    stage: str
    span: tuple[float, float]
    pressure: Floats
    voltage: Floats
    current: Floats
    flow: Flow
    flow_steps: Floats
    peak: Floats
    sample_hz: int
    kelvins: float
    flags: tuple[str, ...] = ()
    flow_noise: Noise = WHITE
    flow_usual: tuple[Known, ...] = ()
    dithered: frozenset[str] = frozenset()

    @property
    def kind(self) -> str:
        """The stage without the number of its repetition."""
        return self.stage.partition(".")[0]

    def values(self, channel: str) -> Floats:
        """The steps of `pressure`, `voltage`, `current`, `flow` or `power`."""
        if channel == "power":
            return self.voltage * self.current
        found: Floats = self.flow_steps if channel == "flow" else getattr(self, channel)
        return found

    @property
    def through(self) -> float:
        """The flow through the hose, m³/s, 0 where it is only known to be small."""
        return 0.0 if math.isnan(self.flow.value) else self.flow.value


class Reader:
    """Reads windows of one run: knows the channels, their age, the zero, the supply, and how channels scattered before.

    `history` is what earlier runs showed, by kind of stage and channel (`free_flow.flow`); `references` are those that
    the device measures.
    """

    def __init__(
        self,
        channels: Channels,
        lsb: Floats,
        years: Mapping[str, float],
        supply: Supply,
        history: Mapping[str, Known] = NO_HISTORY,
        *,
        references: References | None = None,
    ) -> None:
        self._history = history
        self._seen: dict[tuple[str, str], Differences] = {}
        self._pressure_input, self.supply = channels.pressure, supply
        self._lsb = dict(zip((*(column.name.lower() for column in Column), "flow"), lsb.tolist(), strict=False))
        self._doubts = Doubts(channels, self._lsb, years, supply.fluid, references)
        self.zero = Zero.calibrated(channels)

    @property
    def zero(self) -> Zero:
        """The zero in force."""
        return self._doubts.zero

    @zero.setter
    def zero(self, zero: Zero) -> None:
        self._doubts.zero = zero

    @property
    def flags(self) -> tuple[str, ...]:
        """What every reading that leans on the zero should say."""
        return () if self.zero.taken else ("no_zero",)

    def lsb(self, channel: str) -> float:
        """A step of the converter, SI."""
        step: float = self._lsb[channel]
        return step

    @property
    def seen(self) -> dict[str, Differences]:
        """How channels scattered in this run, as `history` has it of earlier ones."""
        found: dict[str, Differences] = {}
        for (stage, channel), differences in self._seen.items():
            name = f"{stage.partition('.')[0]}.{channel}"
            found[name] = found.get(name, Differences()) + differences
        return found

    def _mean(self, w: Window, channel: str, looks: int) -> Mean:
        """The mean of a channel's steps in a window, its scatter pooled with that of other windows of its kind."""
        values = w.values(channel)
        alike = Differences()
        for (stage, other), differences in self._seen.items():
            if other == channel and stage != w.stage and stage.partition(".")[0] == w.kind:
                alike += differences
        # Of a window that is looked at again, or read anew, the newest counts.
        self._seen[w.stage, channel] = Differences.of(distinct(values))
        before = self._history.get(f"{w.kind}.{channel}")
        known = [Known(alike, float(alike.dof)), *((before,) if before else ())]
        if channel != "flow":
            return mean_of(values, looks=looks, known=known)
        return mean_of(values, looks=looks, known=[*known, *w.flow_usual], noise=w.flow_noise)

    def _doubts_in(self, w: Window, channel: str, value: float, flow: float = 0.0) -> list[Component]:
        """The channel's type B doubts in a window."""
        found = self.doubts(channel, value, kelvins=w.kelvins, flow=flow)
        return [c for c in found if c.source != RESOLUTION] if channel in w.dithered else found

    def doubts(self, channel: str, value: float, *, kelvins: float, flow: float = 0.0) -> list[Component]:
        """The channel's type B doubts; see `Doubts.of`."""
        return self._doubts.of(channel, value, kelvins=kelvins, flow=flow)

    def read(self, quantity: str, window: Window, looks: int = 1) -> Reading:
        """The reading of one quantity, where up to `looks` looks may end its measurement.

        Raises:
            KeyError: a quantity that no window gives.
        """
        return {
            "flow": self._flow,
            "pressure": self._pressure,
            "peak_pressure": self._peak,
            "current": self._current,
            "voltage": self._voltage,
            "power": self._power,
            "efficiency": self._efficiency,
        }[quantity](window, looks)

    def _flow(self, w: Window, looks: int) -> Reading:
        if math.isnan(w.flow.value):
            return _bounded("flow", w, w.flow.low, w.flow.high)
        if w.flow_steps.size < FEWEST_STEPS or not np.isfinite(w.flow_steps).all():
            unknown = _bounded("flow", w, 0.0, math.inf)
            return replace(unknown, flags=(*w.flags, "few_steps"))
        # The mean counts edges over the whole window; the scatter of its steps is only its type A doubt.
        mean = replace(self._mean(w, "flow", looks), value=w.flow.value)
        return self._assemble("flow", w, mean, self._doubts_in(w, "flow", mean.value))

    def _pressure(self, w: Window, looks: int) -> Reading:
        mean = self._mean(w, "pressure", looks)
        doubts = self._doubts_in(w, "pressure", mean.value, flow=w.through)
        return self._assemble("pressure", w, mean, doubts, self._to_outlet(w))

    def _peak(self, w: Window, looks: int) -> Reading:
        """Over a window of fixed length, so that no further look changes it."""
        peak = peak_of(w.peak, w.sample_hz)
        doubts = self._doubts_in(w, "pressure", peak.value, flow=w.through)
        doubts.append(Component.normal("peak scatter", peak.bias_doubt))
        corrections = [("bias of the maximum", -peak.bias), *self._to_outlet(w)]
        n = len(w.peak)
        span = (w.span[0], w.span[0] + n / w.sample_hz)
        plain = Mean(peak.value + peak.bias, 0.0, n, float(n), math.inf, 0.0)
        return self._assemble("peak_pressure", replace(w, span=span), plain, doubts, corrections)

    def _current(self, w: Window, looks: int) -> Reading:
        mean = self._mean(w, "current", looks)
        return self._assemble("current", w, mean, self._doubts_in(w, "current", mean.value))

    def _voltage(self, w: Window, looks: int) -> Reading:
        mean = self._mean(w, "voltage", looks)
        return self._assemble("voltage", w, mean, self._doubts_in(w, "voltage", mean.value))

    def _power(self, w: Window, looks: int) -> Reading:
        """Electrical power at the terminals; its scatter is that of the products, so that it knows of their
        correlation."""
        volts, amperes = float(w.voltage.mean()), float(w.current.mean())
        doubts = [c.scaled(amperes, "voltage") for c in self._doubts_in(w, "voltage", volts)]
        doubts += [c.scaled(volts, "current") for c in self._doubts_in(w, "current", amperes)]
        return self._assemble("power", w, self._mean(w, "power", looks), doubts)

    def _efficiency(self, w: Window, looks: int) -> Reading:
        """Hydraulic power p·Q over electrical power V·I."""
        flow, power = self._flow(w, looks), self._power(w, looks)
        if flow.is_interval or power.value <= 0.0:
            return _bounded("efficiency", w, 0.0, math.inf)
        pressure = self._pressure(w, looks)
        value, parts = product(((pressure, 1.0), (flow, 1.0), (power, -1.0)))
        kept = combine(parts)
        n = min(r.n for r in (pressure, flow, power))
        effective = min(r.n_effective for r in (pressure, flow, power))
        return Reading("efficiency", w.stage, value, value, value, kept, n, effective, w.span, flags=w.flags)

    def _assemble(
        self,
        quantity: str,
        w: Window,
        mean: Mean,
        doubts: Sequence[Component],
        corrections: Sequence[tuple[str, float]] = (),
    ) -> Reading:
        value = mean.value + sum(c for _, c in corrections)
        shift, supply = self.to_test_voltage(quantity, value, float(w.voltage.mean()), w.kelvins)
        corrections = [*corrections, *shift]
        value += sum(c for _, c in shift)
        combined = combine([c for c in (mean.component(), *doubts, *supply) if c.standard > 0])
        kept = tuple((name, c) for name, c in corrections if c)
        return Reading(
            quantity, w.stage, value, value, value, combined, mean.n, mean.n_effective, w.span, kept, w.flags
        )

    def to_test_voltage(
        self, quantity: str, value: float, volts: float, kelvins: float
    ) -> tuple[list[tuple[str, float]], list[Component]]:
        """Brings a quantity read at `volts` to the test voltage: corrections by name, and the uncertainty they leave.

        Where the part states no sensitivity, it lies between two limits: the correction takes their middle, and half
        their distance is a rectangular half-width (JCGM 100:2008, 4.3.7 and 4.3.8).
        """
        if quantity == "voltage":
            return [], []
        off = volts - self.supply.test_voltage
        if quantity not in self.supply.stated:
            middle, half = self.supply.per_volt(quantity, value)
            doubt = self._volts_doubt(volts, kelvins)
            return [("supply voltage", -middle * off)], [
                Component.rectangular("supply voltage off", off, half, about="voltage"),
                Component.normal("voltage at the terminals", doubt, 1.0, middle + half, about="voltage"),
            ]
        slope, slope_doubt = self.supply.stated[quantity]
        parts = [
            Component.normal("sensitivity to voltage", slope_doubt, 1.0, off),
            Component.normal(
                "voltage at the terminals", self._volts_doubt(volts, kelvins), 1.0, slope, about="voltage"
            ),
        ]
        return [(SUPPLY_CORRECTION, -slope * off)], parts

    def supply_doubts(self, volts: float, per_volt: float, kelvins: float) -> list[Component]:
        """What is doubtful of a quantity read at `volts` that changes by up to `per_volt`, nothing being corrected."""
        off, doubt = volts - self.supply.test_voltage, self._volts_doubt(volts, kelvins)
        return [
            Component.rectangular("supply voltage off", off, per_volt, about="voltage"),
            Component.normal("voltage at the terminals", doubt, 1.0, per_volt, about="voltage"),
        ]

    def _volts_doubt(self, volts: float, kelvins: float) -> float:
        # as `combine` has it, without the distribution, which nobody asks for here
        return math.sqrt(sum(c.standard**2 for c in self.doubts("voltage", volts, kelvins=kelvins)))

    def _to_outlet(self, w: Window) -> list[tuple[str, float]]:
        p = self._pressure_input
        return [("hose", p.k_outlet * w.through**2), ("height", p.height)]


def product(factors: Sequence[tuple[Reading, float]]) -> tuple[float, list[Component]]:
    """Readings, each to a power, multiplied: the value, and each one's doubts passed on to first order. One with a
    negative power is not 0.

    Where a doubt is in several of them (the supply's deviation is in all), it is taken once, with what it does together
    (JCGM 100:2008, 5.2.2).
    """
    value = math.prod(r.value**power for r, power in factors)
    parts: list[Component] = []
    together: dict[str, float] = {}
    for k, (r, power) in enumerate(factors):
        # not power·value/r, since a line that takes no pressure may show none
        others = math.prod(o.value**by for j, (o, by) in enumerate(factors) if j != k)
        by = power * r.value ** (power - 1.0) * others
        for c in r.combined.components:
            if c.source in _OF_SUPPLY:
                together[c.source] = together.get(c.source, 0.0) + c.signed * by
            else:
                parts.append(c.scaled(by, r.quantity))
    shared = {c.source: c for r, _ in factors for c in r.combined.components if c.source in _OF_SUPPLY}
    parts += [replace(shared[name], standard=abs(total), sensitivity=1.0) for name, total in together.items()]
    least = 1e-9 * max((c.standard for c in parts), default=0.0)  # less is what cancelling leaves of digits
    return value, [c for c in parts if c.standard > least]


def _bounded(quantity: str, w: Window, low: float, high: float) -> Reading:
    """A quantity that is only known to lie in an interval."""
    flags = (*w.flags, "above_table" if math.isinf(high) else "interval")
    return Reading(quantity, w.stage, math.nan, low, high, combine(()), 0, 0.0, w.span, flags=flags)


def kelvins_of(temperatures: Sequence[float]) -> float:
    """How far fluid is from the reference temperature, K, by what was measured of it (NaN: nothing was)."""
    warm = [t for t in temperatures if not math.isnan(t)]
    return sum(warm) / len(warm) - REFERENCE_TEMPERATURE if warm else UNMEASURED_KELVINS


def dithered(samples: Floats, lsb: Floats) -> frozenset[str]:
    """The channels, `[n, columns]` by Column, whose samples scatter so far beyond a step `lsb` of their converter that
    the step hides nothing of their mean.

    The middle 96 % of them take one and a half steps or more. Normal noise is 0.37 steps then at least, and the mean of
    its counts errs by a step's (1/π)·exp(−2π²·0.37²), 0.02 of one, at most (the first harmonic of rounding's sawtooth).
    Fewer than that may all lie to one side of a step.
    """
    if not samples.size:
        return frozenset()
    low, high = np.quantile(samples, (0.02, 0.98), axis=0)
    enough = high - low >= DITHER * lsb[: samples.shape[1]]
    return frozenset(column.name.lower() for column in Column if enough[column])


def seconds(
    stage: str, quantity: str, span: tuple[float, float], half_width: float, *, flags: tuple[str, ...] = ()
) -> Reading:
    """A reading of a time found once: from the first to the second moment of `span`, ± `half_width`, rectangular."""
    value = span[1] - span[0]
    combined = combine([Component.rectangular("moment", half_width)])
    return Reading(quantity, stage, value, value, value, combined, 1, 1.0, span, flags=flags)


def evidence(stage: str, quantity: str, reached: float, window: tuple[float, float], flag: str) -> Reading:
    """A reading that only says that a quantity was at least `reached`: what is left when a limit ended a stage."""
    flags = ("interval", "at_least", flag)
    return Reading(quantity, stage, math.nan, reached, reached, combine(()), 0, 0.0, window, flags=flags)


def as_array(values: Sequence[float]) -> Floats:
    return np.array(values, dtype=np.float64)
