"""Readings: the mean of a quantity over a steady window, corrected, with every doubt that belongs to it."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from daq.measure.channels import Channels, Doubt
from daq.measure.convert import Floats, Zero
from daq.measure.flow import Flow
from daq.measure.peak import peak_of
from daq.measure.uncertainty import (
    Combined,
    Component,
    Mean,
    Shape,
    combine,
    evaluate,
    mean_of,
    resolution,
)

REFERENCE_TEMPERATURE = 293.15
"""Where temperature doubts start to count, K: the usual reference temperature of calibrations (ISO 1)."""
UNMEASURED_KELVINS = 10.0
"""Distance from it that is assumed where no channel measures a temperature."""


@dataclass(frozen=True, slots=True)
class Reading:
    """A quantity in a stage, SI: `value` in [`low`, `high`], equal to both unless it is an interval (then NaN).

    `combined` holds U and the distribution; `window` is in seconds of the run; `corrections` are what was added to the
    plain mean, by name; `flags` say what a reader should know. `at` is the pressure, flow or time since power-off
    that the quantity was read at, where it was read at one.
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


@dataclass(frozen=True, slots=True)
class Supply:
    """How readings follow the supply: the voltage that they are meant for, and d(quantity)/dV with its standard
    uncertainty where the part states one. `turbine`: the affinity laws bound what it does not state. `fluid`: what
    the part is tested in."""

    test_voltage: float
    stated: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    turbine: bool = True
    fluid: str = ""

    def by_law(self, quantity: str, value: float) -> float:
        """|dy/dV| with speed in proportion to voltage: Q ∝ n, p ∝ n², and with P = V·I ∝ n³ also I ∝ n². A displacement
        pump keeps its pressure, and with it its torque and current."""
        powers = (
            {"flow": 1, "pressure": 2, "peak_pressure": 2, "current": 2, "power": 3}
            if self.turbine
            else {"flow": 1, "power": 1}
        )
        return abs(value) * powers.get(quantity, 0) / self.test_voltage


@dataclass(frozen=True, slots=True, eq=False)
class Window:
    """What a stage gives to read: step means by channel (`[n]`), flow steps and the meter's mean, raw pressure samples
    of the peak window, all within `span` seconds of the run. `kelvins` is the distance from reference temperature."""

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


class Reader:
    """Reads windows of one run: knows the channels, their age, the zero and the supply."""

    def __init__(
        self, channels: Channels, lsb: Floats, years: Mapping[str, float], supply: Supply, looks: int = 1
    ) -> None:
        self._channels, self._years, self._supply, self._looks = channels, years, supply, looks
        self._lsb = dict(zip(("pressure", "voltage", "current"), lsb.tolist(), strict=False))
        self.zero = Zero.calibrated(channels)

    def read(self, quantity: str, window: Window) -> Reading:
        """The reading of one quantity.

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
        }[quantity](window)

    def _flow(self, w: Window) -> Reading:
        if math.isnan(w.flow.value):
            nothing = combine(())
            flags = (*w.flags, "above_table" if w.flow.out_of_range else "interval")
            return Reading("flow", w.stage, math.nan, w.flow.low, w.flow.high, nothing, 0, 0.0, w.span, flags=flags)
        scatter = mean_of(w.flow_steps, looks=self._looks)
        doubts = [*self._doubts("flow", self._channels.flow.doubts, w.flow.value, w), self._other_fluid(w.flow.value)]
        # The mean counts edges over the whole window; the scatter of its steps is only its type A doubt.
        return self._assemble("flow", w, replace(scatter, value=w.flow.value), doubts)

    def _other_fluid(self, value: float) -> Component:
        """The meter's table holds for the fluid that it was made with."""
        meter = self._channels.flow
        same = not meter.fluid or not self._supply.fluid or meter.fluid == self._supply.fluid
        half_width = 0.0 if same else meter.other_fluid * value
        return Component("another fluid", Shape.RECTANGULAR, half_width / math.sqrt(3))

    def _pressure(self, w: Window) -> Reading:
        mean = mean_of(w.pressure, looks=self._looks, lsb=self._lsb["pressure"])
        return self._assemble("pressure", w, mean, self._pressure_doubts(mean.value, w), self._to_outlet(w))

    def _peak(self, w: Window) -> Reading:
        peak = peak_of(w.peak, w.sample_hz)
        doubts = [*self._pressure_doubts(peak.value, w), Component("peak scatter", Shape.NORMAL, peak.bias_doubt)]
        corrections = [("bias of the maximum", -peak.bias), *self._to_outlet(w)]
        n = len(w.peak)
        span = (w.span[0], w.span[0] + n / w.sample_hz)
        plain = Mean(peak.value + peak.bias, 0.0, n, float(n), math.inf, 0.0)
        return self._assemble("peak_pressure", replace(w, span=span), plain, doubts, corrections)

    def _current(self, w: Window) -> Reading:
        mean = mean_of(w.current, looks=self._looks, lsb=self._lsb["current"])
        return self._assemble("current", w, mean, self._current_doubts(mean.value, w))

    def _voltage(self, w: Window) -> Reading:
        mean = mean_of(w.voltage, looks=self._looks, lsb=self._lsb["voltage"])
        return self._assemble("voltage", w, mean, self._voltage_doubts(mean.value, w))

    def _power(self, w: Window) -> Reading:
        volts, amperes = float(w.voltage.mean()), float(w.current.mean())
        doubts = [
            *(replace(c, standard=c.standard * abs(amperes)) for c in self._voltage_doubts(volts, w)),
            *(replace(c, standard=c.standard * abs(volts)) for c in self._current_doubts(amperes, w)),
        ]
        return self._assemble("power", w, mean_of(w.voltage * w.current, looks=self._looks), doubts)

    def _assemble(
        self,
        quantity: str,
        w: Window,
        mean: Mean,
        doubts: Sequence[Component],
        corrections: Sequence[tuple[str, float]] = (),
    ) -> Reading:
        value = mean.value + sum(c for _, c in corrections)
        shift, supply = self._to_test_voltage(quantity, value, w)
        corrections = [*corrections, *shift]
        value += sum(c for _, c in shift)
        combined = combine([c for c in (mean.component(), *doubts, *supply) if c.standard > 0])
        kept = tuple((name, c) for name, c in corrections if c)
        return Reading(
            quantity, w.stage, value, value, value, combined, mean.n, mean.n_effective, w.span, kept, w.flags
        )

    def _to_test_voltage(
        self, quantity: str, value: float, w: Window
    ) -> tuple[list[tuple[str, float]], list[Component]]:
        """What the supply's deviation does: corrected where the part states how, else a rectangular doubt."""
        if quantity == "voltage":
            return [], []
        volts = float(w.voltage.mean())
        off = volts - self._supply.test_voltage
        doubt = combine(self._voltage_doubts(volts, w)).u
        if quantity in self._supply.stated:
            slope, slope_doubt = self._supply.stated[quantity]
            parts = [
                Component("sensitivity to voltage", Shape.NORMAL, abs(off) * slope_doubt),
                Component("voltage at the terminals", Shape.NORMAL, abs(slope) * doubt),
            ]
            return [("supply voltage", -slope * off)], parts
        slope = self._supply.by_law(quantity, value)
        return [], [
            Component("supply voltage off", Shape.RECTANGULAR, abs(off) * slope / math.sqrt(3)),
            Component("voltage at the terminals", Shape.NORMAL, slope * doubt),
        ]

    def _to_outlet(self, w: Window) -> list[tuple[str, float]]:
        p = self._channels.pressure
        flow = 0.0 if math.isnan(w.flow.value) else w.flow.value
        return [("hose", p.k_outlet * flow**2), ("height", p.height)]

    def _pressure_doubts(self, value: float, w: Window) -> list[Component]:
        p = self._channels.pressure
        flow = 0.0 if math.isnan(w.flow.value) else w.flow.value
        return [
            *self._doubts("pressure", p.doubts, value, w),
            resolution(self._lsb["pressure"]),
            Component("zero", Shape.NORMAL if self.zero.taken else Shape.RECTANGULAR, self.zero.pressure_doubt),
            Component("hose", Shape.NORMAL, p.k_outlet_doubt * flow**2),
        ]

    def _current_doubts(self, value: float, w: Window) -> list[Component]:
        shunt = self._channels.shunt
        warmth = abs(value) * shunt.alpha * shunt.temperature_doubt / math.sqrt(3)
        return [
            *self._doubts("current", shunt.doubts, value, w),
            resolution(self._lsb["current"]),
            Component("zero", Shape.NORMAL if self.zero.taken else Shape.RECTANGULAR, self.zero.current_doubt),
            Component("shunt temperature", Shape.RECTANGULAR, warmth),
        ]

    def _voltage_doubts(self, value: float, w: Window) -> list[Component]:
        return [
            *self._doubts("voltage", self._channels.voltage.doubts, value, w),
            resolution(self._lsb["voltage"]),
        ]

    def _doubts(self, channel: str, doubts: Sequence[Doubt], value: float, w: Window) -> list[Component]:
        return list(evaluate(doubts, value, self._years.get(channel, 0.0), w.kelvins))


def seconds(
    stage: str, quantity: str, span: tuple[float, float], half_width: float, *, flags: tuple[str, ...] = ()
) -> Reading:
    """A reading of a time found once: from the first to the second moment of `span`, ± `half_width`, rectangular."""
    value = span[1] - span[0]
    combined = combine([Component("moment", Shape.RECTANGULAR, half_width / math.sqrt(3))])
    return Reading(quantity, stage, value, value, value, combined, 1, 1.0, span, flags=flags)


def evidence(stage: str, quantity: str, reached: float, window: tuple[float, float], flag: str) -> Reading:
    """A reading that only says that a quantity was at least `reached`: what is left when a limit ended a stage."""
    flags = ("interval", "at_least", flag)
    return Reading(quantity, stage, math.nan, reached, reached, combine(()), 0, 0.0, window, flags=flags)


def as_array(values: Sequence[float]) -> Floats:
    return np.array(values, dtype=np.float64)
