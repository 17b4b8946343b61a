"""The `[channel.…]` tables of a stand: what is fitted, how it speaks, and how far it is to be trusted."""

import datetime
from itertools import pairwise
from typing import Annotated, Generic, Literal, Self

from pydantic import Field, ValidationInfo, field_validator, model_validator

from daq.catalogue import units
from daq.catalogue.fields import (
    Current,
    Flow,
    Frequency,
    PerKelvin,
    Pressure,
    Pulses,
    Resistance,
    Share,
    Table,
    Temperature,
    TemperatureDifference,
    Time,
    Value,
    Voltage,
    VoltsPerKelvin,
    in_si,
    refuse,
)
from daq.measure.channels import (
    Distribution,
    Doubt,
    FlowInput,
    LevelInput,
    Per,
    PressureInput,
    PressureKind,
    ShuntInput,
    TemperatureInput,
    VoltageInput,
)

LOOP_VALID = (3.6e-3, 21e-3)
"""Amperes beyond which a 4–20 mA transmitter reports a failure (NAMUR NE 43, from memory)."""

MARGIN = 0.05
"""Share of the output span by which zero error and noise may leave it, by default (common practice, no source)."""


class DoubtTable(Table, Generic[Value]):
    """One source of uncertainty. With `k` it is an expanded one; without, the limits of a rectangle."""

    source: str = Field(min_length=1)
    absolute: Value | None = None
    relative: Share | None = None
    k: float | None = Field(default=None, gt=0)
    per: Annotated[Per, Field(strict=False)] = Per.NOTHING

    @model_validator(mode="after")
    def _says_how_much(self) -> Self:
        if not self.absolute and not self.relative:
            refuse("`absolute`, `relative` or both", "neither", "say how large this uncertainty is")
        return self

    def build(self, reference: float) -> Doubt:
        """`reference` is the temperature of the calibration, K."""
        shape = Distribution.NORMAL if self.k else Distribution.RECTANGULAR
        size = (self.absolute or 0.0, self.relative or 0.0)
        return Doubt(self.source, *size, shape, self.k or 2.0, self.per, reference)


class CalibrationTable(Table):
    """When a channel was calibrated, by which certificate, at which temperature, and when it is due again."""

    certificate: str = Field(min_length=1)
    date: datetime.date
    due: datetime.date
    temperature: Temperature = 293.15

    @field_validator("due")
    @classmethod
    def _later(cls, due: datetime.date, info: ValidationInfo) -> datetime.date:
        made = info.data.get("date")
        if made is not None and due <= made:
            refuse(f"a day after {made}", str(due), "give the day on which the calibration ends")
        return due


class Sensor(Table, Generic[Value]):
    """What every judged channel says of itself. A channel without a stated uncertainty could never be judged."""

    calibration: CalibrationTable
    uncertainty: list[DoubtTable[Value]] = Field(min_length=1)

    def doubts(self) -> tuple[Doubt, ...]:
        return tuple(table.build(self.calibration.temperature) for table in self.uncertainty)


class DropTable(Table):
    """A resistance given by one point: the pressure `drop` at the flow `at`; `tolerance` and `doubt` are pressures."""

    drop: Pressure = Field(ge=0)
    at: Flow = Field(gt=0)
    tolerance: Pressure = 5e3
    doubt: Pressure = 0.0

    @property
    def k(self) -> float:
        """Pa/(m³/s)²."""
        return self.drop / self.at**2

    @property
    def k_doubt(self) -> float:
        return self.doubt / self.at**2


class PressureTable(Sensor[Pressure]):
    """A transducer: `low` and `high` give `output_low` and `output_high` (volts, or amperes in a loop)."""

    kind: Annotated[PressureKind, Field(strict=False)]
    reference: Literal["gauge", "absolute"] = "gauge"
    low: Pressure
    high: Pressure
    output_low: float
    output_high: float
    valid_low: float | None = None
    valid_high: float | None = None
    excitation: Voltage = Field(default=5.0, gt=0)
    excitation_gain: float = Field(default=1.0, gt=0)
    gain: float = Field(default=1.0, gt=0)
    burden: Resistance | None = Field(default=None, validate_default=True)
    zero_limit: Pressure = Field(default=5e3, gt=0)
    height: Pressure = 0.0
    hose: DropTable | None = None
    line: DropTable

    @field_validator("output_low", "output_high", "valid_low", "valid_high", mode="before")
    @classmethod
    def _by_kind(cls, value: object, info: ValidationInfo) -> object:
        loop = info.data.get("kind") is PressureKind.LOOP
        return in_si(value, units.CURRENT if loop else units.VOLTAGE)

    @field_validator("high", "output_high", "valid_high")
    @classmethod
    def _above(cls, high: float | None, info: ValidationInfo) -> float | None:
        low = info.data.get(str(info.field_name).replace("high", "low"))
        if high is not None and low is not None and high <= low:
            refuse(f"more than `{str(info.field_name).replace('high', 'low')}`", "no more", "exchange or mend the two")
        return high

    @field_validator("burden")
    @classmethod
    def _loop_has_one(cls, burden: float | None, info: ValidationInfo) -> float | None:
        if info.data.get("kind") is PressureKind.LOOP and not burden:
            refuse("the resistor that the loop current flows through", "none", 'add it, such as burden = "100 ohm"')
        return burden

    def build(self) -> PressureInput:
        ratio = self.excitation if self.kind is PressureKind.RATIOMETRIC else 1.0
        valid_low, valid_high = self._valid()
        hose = self.hose
        return PressureInput(
            kind=self.kind,
            low=self.low,
            high=self.high,
            out_low=self.output_low / ratio,
            out_high=self.output_high / ratio,
            valid_low=valid_low / ratio,
            valid_high=valid_high / ratio,
            gain=self.gain,
            excitation=self.excitation,
            excitation_gain=self.excitation_gain,
            burden=self.burden or 0.0,
            absolute_reference=self.reference == "absolute",
            zero_limit=self.zero_limit,
            k_outlet=hose.k if hose else 0.0,
            k_outlet_doubt=hose.k_doubt if hose else 0.0,
            height=self.height,
            k_line=self.line.k,
            line_tolerance=self.line.tolerance,
            doubts=self.doubts(),
        )

    def _valid(self) -> tuple[float, float]:
        margin = MARGIN * (self.output_high - self.output_low)
        low, high = (self.output_low - margin, self.output_high + margin)
        if self.kind is PressureKind.LOOP:
            low, high = LOOP_VALID
        return (
            low if self.valid_low is None else self.valid_low,
            high if self.valid_high is None else self.valid_high,
        )


class CurrentTable(Sensor[Current]):
    """A shunt of `resistance` at 20 °C and its amplifier of `gain`."""

    resistance: Resistance = Field(gt=0)
    gain: float = Field(gt=0)
    copper: PerKelvin = 0.0
    assumed_temperature: Temperature = 298.15
    assumed_within: TemperatureDifference = 10.0
    full_scale: Current = Field(default=20.0, gt=0)
    zero_limit: Current = Field(default=0.1, gt=0)

    def build(self) -> ShuntInput:
        return ShuntInput(
            r20=self.resistance,
            gain=self.gain,
            alpha=self.copper,
            assumed_temperature=self.assumed_temperature,
            temperature_doubt=self.assumed_within,
            full_scale=self.full_scale,
            zero_limit=self.zero_limit,
            doubts=self.doubts(),
        )


class VoltageTable(Sensor[Voltage]):
    """The supply: `divider` volts at the converter for each volt sensed; `leads` where it is not sensed at the unit."""

    divider: float = Field(gt=0)
    leads: Resistance = 0.0
    full_scale: Voltage = Field(default=20.0, gt=0)

    def build(self) -> VoltageInput:
        return VoltageInput(self.divider, self.leads, self.full_scale, self.doubts())


class TemperatureTable(Sensor[TemperatureDifference]):
    """A sensor of the fluid's temperature whose voltage is a straight line."""

    at_0_degc: Voltage = Field(alias="at_0_degC")
    slope: VoltsPerKelvin
    low: Temperature = 253.15
    high: Temperature = 353.15

    @field_validator("slope")
    @classmethod
    def _sloping(cls, slope: float) -> float:
        if not slope:
            refuse("a slope", "none", "give the sensor's volts per kelvin")
        return slope

    def build(self) -> TemperatureInput:
        return TemperatureInput(self.at_0_degc, self.slope, self.low, self.high, self.doubts())


class LevelTable(Table):
    """The level in a module's reservoir; `full_at` is the share at which it counts as filled."""

    empty: Voltage
    full: Voltage
    full_at: Share = Field(default=0.9, gt=0, le=1)

    def build(self) -> LevelInput:
        return LevelInput(self.empty, self.full, self.full_at)


class PointTable(Table):
    """A point of a flowmeter's calibration: `k` pulses per volume at a pulse frequency."""

    at: Frequency
    k: Pulses


class FlowTable(Sensor[Flow]):
    """A pulse flowmeter; `fluid` is what its table was made with, `other_fluid` how far another may lead it astray."""

    fluid: str = Field(min_length=1)
    other_fluid: Share | None = Field(default=None, ge=0)
    table: list[PointTable] = Field(min_length=2)
    silence: Time = 1.0
    stall: Flow = Field(default=0.0, ge=0)
    lag: Time = 0.15

    @field_validator("table")
    @classmethod
    def _rising(cls, table: list[PointTable]) -> list[PointTable]:
        hertz = [point.at for point in table]
        if any(b <= a for a, b in pairwise(hertz)):
            refuse("points in rising order of frequency", ", ".join(f"{f:g} Hz" for f in hertz), "sort them")
        return table

    def build(self) -> FlowInput:
        table = tuple((point.at, point.k) for point in self.table)
        other = self.other_fluid or 0.0
        return FlowInput(table, self.silence, self.stall, self.lag, self.fluid, self.doubts(), other)
