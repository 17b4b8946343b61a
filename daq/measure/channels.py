"""What a stand's channels are, in SI: the numbers that turn counts into quantities, and how far to trust them.

Built once from the stand configuration; nothing here knows a file or a unit string.
"""

from dataclasses import dataclass, field
from enum import StrEnum

AIR = 101.325e3
"""Pa, what an absolute transducer shows of an empty line: the standard atmosphere (ISO 2533, from memory)."""


class Distribution(StrEnum):
    """The shape of a type B doubt. A tolerance without a stated distribution is rectangular (JCGM 100:2008, 4.3.7)."""

    NORMAL = "normal"
    RECTANGULAR = "rectangular"


class Per(StrEnum):
    """What a doubt grows with: nothing, the years since calibration, or the kelvins from calibration temperature."""

    NOTHING = "nothing"
    YEAR = "year"
    KELVIN = "kelvin"


@dataclass(frozen=True, slots=True)
class Doubt:
    """One type B source of a channel: half-width `absolute + relative × |reading|`.

    A rectangular half-width is divided by √3; a normal one is an expanded uncertainty and is divided by `k`. With `per`
    kelvin it grows with the distance from `reference` (K), the temperature of the calibration.
    """

    source: str
    absolute: float = 0.0
    relative: float = 0.0
    distribution: Distribution = Distribution.RECTANGULAR
    k: float = 2.0
    per: Per = Per.NOTHING
    reference: float = 293.15


class PressureKind(StrEnum):
    """How a pressure transducer speaks: a share of its excitation, volts, or amperes in a 4–20 mA loop; or the device
    states the pressure itself."""

    RATIOMETRIC = "ratiometric"
    VOLTAGE = "voltage"
    LOOP = "loop"
    QUANTITY = "quantity"


@dataclass(frozen=True, slots=True)
class Leak:
    """How fast the stand itself loses pressure, its outlet blanked off and its valve shut.

    `table` holds (Pa, Pa/s), rising in pressure and not falling in rate; at `rest` (Pa) nothing leaks. `doubt` (Pa/s)
    is the expanded uncertainty (k = 2) of each rate. `temperature` (K) is that of the fluid in the check, None where it
    was not measured.
    """

    table: tuple[tuple[float, float], ...]
    doubt: float
    temperature: float | None = None
    rest: float = 0.0


@dataclass(frozen=True, slots=True)
class PressureInput:
    """A pressure transducer. Gauge unless `absolute_reference`.

    The transducer's output at `low` and `high` (Pa) is `out_low` and `out_high`, in shares of the excitation, volts or
    amperes by `kind`. `gain` is volts at the converter per volt of output; for a loop `burden` is the resistor in ohms
    and `gain` follows it. Outputs outside [`valid_low`, `valid_high`] mean a faulty channel. `excitation` is the
    nominal one in volts, used where none is measured; `excitation_gain` is volts at the
    converter per volt of it. A measured one must lie within the share `excitation_tolerance` of the nominal one, and
    within `excitation_drift` of what it was while the zero was taken. `zero_limit` (Pa) is the largest zero shift that
    is no fault.
    `k_outlet` (Pa/(m³/s)²) and `height` (Pa, added) lead from the transducer to the unit's outlet; `k_line` and
    `line_tolerance` (Pa) bound the pressure of the open line: p ≤ k_line·Q² + line_tolerance.
    `compliance` (m³/Pa) is what hose and line take up as pressure rises, known within the share `compliance_doubt`;
    `thermal` (Pa/K) is how far pressure in the shut line follows the fluid's temperature; `leak` is the stand's own,
    None where nobody measured it.
    """

    kind: PressureKind
    low: float
    high: float
    out_low: float
    out_high: float
    valid_low: float
    valid_high: float
    gain: float = 1.0
    excitation: float = 5.0
    excitation_gain: float = 1.0
    burden: float = 0.0
    absolute_reference: bool = False
    zero_limit: float = 5e3
    k_outlet: float = 0.0
    k_outlet_doubt: float = 0.0
    height: float = 0.0
    k_line: float = 0.0
    line_tolerance: float = 5e3
    doubts: tuple[Doubt, ...] = ()
    compliance: float = 0.0
    compliance_doubt: float = 0.3
    thermal: float = 0.0
    leak: Leak | None = None
    excitation_tolerance: float = 0.01
    excitation_drift: float = 0.003

    @property
    def at_no_output(self) -> float:
        """The pressure (Pa) on the transducer's line at no output."""
        return self.low - self.out_low * (self.high - self.low) / (self.out_high - self.out_low)

    @property
    def rest(self) -> float:
        """What an empty line shows, Pa."""
        return AIR if self.absolute_reference else 0.0


@dataclass(frozen=True, slots=True)
class ShuntInput:
    """A shunt and its amplifier. I = volts ÷ gain ÷ R(T), R(T) = r20·(1 + alpha·(T − 20 °C)). NaN for `r20` and `gain`:
    the device states the current itself.

    T is measured where a channel has role 8, else `assumed_temperature` (K) ± `temperature_doubt` (K). A measured T
    must lie within that too, and within `temperature_drift` (K) of what it was while the zero was taken.
    `full_scale` (A): above it the channel is faulty. `zero_limit` in amperes.
    """

    r20: float
    gain: float
    alpha: float = 0.0
    assumed_temperature: float = 298.15
    temperature_doubt: float = 10.0
    full_scale: float = 20.0
    zero_limit: float = 0.1
    doubts: tuple[Doubt, ...] = ()
    temperature_drift: float = 5.0


@dataclass(frozen=True, slots=True)
class VoltageInput:
    """The supply voltage. `divider`: volts at the converter per volt sensed; `lead_resistance` (Ω, both leads together)
    between the sensing point and the unit's terminals, 0 where it is sensed there. NaN for `divider`: the device states
    the voltage itself."""

    divider: float
    lead_resistance: float = 0.0
    full_scale: float = 20.0
    doubts: tuple[Doubt, ...] = ()


@dataclass(frozen=True, slots=True)
class TemperatureInput:
    """A sensor with a voltage that is linear in temperature: `volts_at_zero_celsius` and `volts_per_kelvin`, NaN where
    the device states the temperature itself."""

    volts_at_zero_celsius: float
    volts_per_kelvin: float
    low: float = 253.15
    high: float = 353.15
    doubts: tuple[Doubt, ...] = ()


@dataclass(frozen=True, slots=True)
class LevelInput:
    """A level sensor in a module's reservoir: 0 at `volts_empty`, 1 at `volts_full` (NaN where the device states the
    level itself); `full_at` ends `fill`."""

    volts_empty: float
    volts_full: float
    full_at: float = 0.9


@dataclass(frozen=True, slots=True)
class FlowInput:
    """A pulse flowmeter. `k_table` holds (hertz, pulses per m³), rising in hertz.

    After `silence` seconds without an edge flow lies in [0, max(1/(silence·K), stall_flow)]. `lag` is the meter's time
    constant in seconds, known within the share `lag_doubt`. `fluid` names what the table was made with; with another
    one `other_fluid`, a share of the reading, is added as a rectangular half-width.

    With `quantity` the device states the flow itself: then the table says only between which flows it can be believed,
    with one pulse for each m³, and `stall_flow` is the flow below which nothing may flow at all.
    """

    k_table: tuple[tuple[float, float], ...]
    silence: float = 1.0
    stall_flow: float = 0.0
    lag: float = 0.0
    fluid: str = ""
    doubts: tuple[Doubt, ...] = ()
    other_fluid: float = 0.0
    lag_doubt: float = 0.3
    quantity: bool = False


@dataclass(frozen=True, slots=True)
class SteadyFloor:
    """Below this a slope over a window is never called moving: pressure (Pa), flow (m³/s), current (A), voltage (V)."""

    pressure: float = 1.0e3
    flow: float = 1.4e-7
    current: float = 0.05
    voltage: float = 0.05


@dataclass(frozen=True, slots=True)
class RailInput:
    """A fixed voltage that a device measures beside its sensors: `nominal` volts, `gain` volts at the converter per
    volt. It must lie within the share `tolerance` of the nominal value, and within `drift` of what it was while the
    zero was taken."""

    nominal: float
    gain: float = 1.0
    tolerance: float = 0.01
    drift: float = 0.003


@dataclass(frozen=True, slots=True)
class Channels:
    """All channels of a stand. What is None is not fitted, never zero.

    `reference` is a fixed voltage that shows the converter's own reference, `supply` that of converter and amplifiers.
    The device's clock runs true within the share `clock_tolerance`.
    """

    pressure: PressureInput
    shunt: ShuntInput
    voltage: VoltageInput
    flow: FlowInput
    temperature: TemperatureInput | None = None
    level: LevelInput | None = None
    floor: SteadyFloor = field(default_factory=SteadyFloor)
    steady_share: float = 0.0075
    reference: RailInput | None = None
    supply: RailInput | None = None
    clock_tolerance: float = 0.002
