"""The `[channel.…]` tables of a stand: what is fitted, how it speaks, and how far it is to be trusted."""

from itertools import pairwise
from typing import Literal

from pydantic import Field, ValidationInfo, field_validator

from daq.catalogue.fields import (
    Current,
    Factor,
    Flow,
    Frequency,
    PerKelvin,
    Pulses,
    Resistance,
    Share,
    Table,
    Temperature,
    TemperatureDifference,
    Time,
    Voltage,
    VoltsPerKelvin,
    refuse,
)
from daq.catalogue.sensor_tables import QUANTITY, Sensor, by_kind, or_nan
from daq.measure.channels import (
    FlowInput,
    LevelInput,
    ShuntInput,
    TemperatureInput,
    VoltageInput,
)

Kind = Literal["volts", "quantity"]
"""What the device sends: volts at its converter, as counts, or the quantity itself."""


class CurrentTable(Sensor[Current]):
    """A shunt of `resistance` at 20 °C and its amplifier of `gain`; neither where the device states the current."""

    kind: Kind = "volts"
    resistance: Resistance | None = Field(default=None, gt=0, validate_default=True)
    gain: Factor | None = Field(default=None, validate_default=True)
    copper: PerKelvin = 0.0
    assumed_temperature: Temperature = 298.15
    assumed_within: TemperatureDifference = 10.0
    temperature_drift: TemperatureDifference = Field(default=5.0, gt=0)
    full_scale: Current = Field(default=20.0, gt=0)
    zero_limit: Current = Field(default=0.1, gt=0)

    _electric = field_validator("resistance", "gain")(by_kind)

    def build(self) -> ShuntInput:
        return ShuntInput(
            r20=or_nan(self.resistance),
            gain=or_nan(self.gain),
            alpha=self.copper,
            assumed_temperature=self.assumed_temperature,
            temperature_doubt=self.assumed_within,
            full_scale=self.full_scale,
            zero_limit=self.zero_limit,
            doubts=self.doubts(),
            temperature_drift=self.temperature_drift,
        )


class VoltageTable(Sensor[Voltage]):
    """The supply: `divider` volts at the converter for each volt sensed, none where the device states the voltage;
    `leads` where it is not sensed at the unit."""

    kind: Kind = "volts"
    divider: Factor | None = Field(default=None, validate_default=True)
    leads: Resistance = 0.0
    full_scale: Voltage = Field(default=20.0, gt=0)

    _electric = field_validator("divider")(by_kind)

    def build(self) -> VoltageInput:
        return VoltageInput(or_nan(self.divider), self.leads, self.full_scale, self.doubts())


class TemperatureTable(Sensor[TemperatureDifference]):
    """A sensor of the fluid's temperature whose voltage is a straight line, or a device that states it."""

    kind: Kind = "volts"
    at_0_degc: Voltage | None = Field(default=None, alias="at_0_degC", validate_default=True)
    slope: VoltsPerKelvin | None = Field(default=None, validate_default=True)
    low: Temperature = 253.15
    high: Temperature = 353.15

    _electric = field_validator("at_0_degc", "slope")(by_kind)

    @field_validator("high")
    @classmethod
    def _above(cls, high: float, info: ValidationInfo) -> float:
        if high <= info.data.get("low", high - 1.0):
            refuse("more than `low`", "no more", "exchange or mend the two")
        return high

    @field_validator("slope")
    @classmethod
    def _sloping(cls, slope: float | None) -> float | None:
        if slope == 0:
            refuse("a slope", "none", "give the sensor's volts per kelvin")
        return slope

    def build(self) -> TemperatureInput:
        return TemperatureInput(or_nan(self.at_0_degc), or_nan(self.slope), self.low, self.high, self.doubts())


class LevelTable(Table):
    """The level in a module's reservoir; `full_at` is the share at which it counts as filled."""

    kind: Kind = "volts"
    empty: Voltage | None = Field(default=None, validate_default=True)
    full: Voltage | None = Field(default=None, validate_default=True)
    full_at: Share = Field(default=0.9, gt=0, le=1)

    _electric = field_validator("empty", "full")(by_kind)

    @field_validator("full")
    @classmethod
    def _another(cls, full: float | None, info: ValidationInfo) -> float | None:
        if full is not None and full == info.data.get("empty"):
            refuse("another voltage than that of `empty`", "the same", "mend one of the two")
        return full

    def build(self) -> LevelInput:
        return LevelInput(or_nan(self.empty), or_nan(self.full), self.full_at)


class PointTable(Table):
    """A point of a flowmeter's calibration: `k` pulses per volume at a pulse frequency."""

    at: Frequency
    k: Pulses


class FlowTable(Sensor[Flow]):
    """A pulse flowmeter with a `table`, or a device that states the flow and can be believed from `low` to `high`.
    `fluid` is what it was calibrated with, `other_fluid` how far another may lead it astray."""

    kind: Literal["pulses", "quantity"] = "pulses"
    fluid: str = Field(min_length=1)
    other_fluid: Share | None = Field(default=None, ge=0)
    table: list[PointTable] | None = Field(default=None, min_length=2, validate_default=True)
    low: Flow | None = Field(default=None, gt=0, validate_default=True)
    high: Flow | None = Field(default=None, gt=0, validate_default=True)
    silence: Time = 1.0
    stall: Flow = Field(default=0.0, ge=0)
    lag: Time = 0.15
    lag_doubt: Share = Field(default=0.3, ge=0, le=1)

    @field_validator("table", "low", "high")
    @classmethod
    def _by_kind(cls, value: object, info: ValidationInfo) -> object:
        kind = info.data.get("kind", "")
        needed = kind == ("pulses" if info.field_name == "table" else QUANTITY)
        if value is None and needed:
            refuse("this key", "nothing", "add it")
        if value is not None and not needed and kind:
            refuse(f'no such key beside kind = "{kind}"', "it", "take it out, or mend `kind`")
        return value

    @field_validator("high")
    @classmethod
    def _above(cls, high: float | None, info: ValidationInfo) -> float | None:
        low = info.data.get("low")
        if high is not None and low is not None and high <= low:
            refuse("more than `low`", "no more", "exchange or mend the two")
        return high

    @field_validator("table")
    @classmethod
    def _rising(cls, table: list[PointTable] | None) -> list[PointTable] | None:
        hertz = [point.at for point in table or ()]
        if any(b <= a for a, b in pairwise(hertz)):
            refuse("points in rising order of frequency", ", ".join(f"{f:g} Hz" for f in hertz), "sort them")
        return table

    def build(self) -> FlowInput:
        return FlowInput(
            k_table=tuple((point.at, point.k) for point in self.table or ()) or self._bounds(),
            silence=self.silence,
            stall_flow=self.stall,
            lag=self.lag,
            fluid=self.fluid,
            doubts=self.doubts(),
            other_fluid=self.other_fluid or 0.0,
            lag_doubt=self.lag_doubt,
            quantity=self.kind == QUANTITY,
        )

    def _bounds(self) -> tuple[tuple[float, float], ...]:
        """A table of one pulse a m³, which says no more than between which flows the device can be believed."""
        return (or_nan(self.low), 1.0), (or_nan(self.high), 1.0)
