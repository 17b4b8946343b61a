"""The `[channel.…]` tables of a stand: what is fitted, how it speaks, and how far it is to be trusted."""

from itertools import pairwise

from pydantic import Field, field_validator

from daq.catalogue.fields import (
    Current,
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
from daq.catalogue.sensor_tables import Sensor
from daq.measure.channels import (
    FlowInput,
    LevelInput,
    ShuntInput,
    TemperatureInput,
    VoltageInput,
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
    lag_doubt: Share = Field(default=0.3, ge=0, le=1)

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
        return FlowInput(
            table, self.silence, self.stall, self.lag, self.fluid, self.doubts(), other, lag_doubt=self.lag_doubt
        )
