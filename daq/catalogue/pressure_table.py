"""The `[channel.pressure]` table: a transducer, and the line between it, the unit and the tank."""

import datetime
from itertools import pairwise
from typing import Annotated, Literal

from pydantic import Field, ValidationInfo, field_validator

from daq.catalogue import units
from daq.catalogue.fields import (
    Compliance,
    Factor,
    Flow,
    Pressure,
    PressurePerKelvin,
    PressurePerTime,
    Resistance,
    Share,
    Table,
    Temperature,
    Voltage,
    in_si,
    refuse,
)
from daq.catalogue.sensor_tables import Sensor, by_kind
from daq.measure.channels import AIR, Leak, PressureInput, PressureKind

LOOP_VALID = (3.6e-3, 21e-3)
"""Amperes beyond which a 4–20 mA transmitter reports a failure (NAMUR NE 43, from memory)."""

MARGIN = 0.05
"""Share of the output span by which zero error and noise may leave it, by default (common practice, no source)."""


class DropTable(Table):
    """A resistance given by one point: the pressure `drop` at the flow `at`; `tolerance` and `doubt` are pressures."""

    drop: Pressure = Field(ge=0)
    at: Flow = Field(gt=0)
    tolerance: Pressure = Field(default=5e3, ge=0)
    doubt: Pressure = Field(default=0.0, ge=0)

    @property
    def k(self) -> float:
        """Pa/(m³/s)²."""
        return self.drop / self.at**2

    @property
    def k_doubt(self) -> float:
        return self.doubt / self.at**2


class LeakPointTable(Table):
    """How fast pressure falls `at` a pressure."""

    at: Pressure = Field(gt=0)
    rate: PressurePerTime


class LeakTable(Table):
    """The stand's own leak, as `steadyhead setup leak` found it. `doubt` is an expanded uncertainty (k = 2)."""

    date: datetime.date
    temperature: Temperature | None = None
    table: list[LeakPointTable] = Field(min_length=1)
    doubt: PressurePerTime

    @field_validator("table")
    @classmethod
    def _rising(cls, table: list[LeakPointTable]) -> list[LeakPointTable]:
        if any(b.at <= a.at or b.rate < a.rate for a, b in pairwise(table)):
            found = ", ".join(
                f"{units.show(p.rate, units.PRESSURE_PER_TIME)} at {units.show(p.at, units.PRESSURE)}" for p in table
            )
            refuse("points in rising order of pressure whose rate does not fall", found, "sort them, or measure again")
        return table

    def build(self, rest: float) -> Leak:
        """`rest` is what the transducer shows without pressure, Pa."""
        return Leak(tuple((point.at, point.rate) for point in self.table), self.doubt, self.temperature, rest)


class PressureTable(Sensor[Pressure]):
    """A transducer: `low` and `high` give `output_low` and `output_high` (volts, or amperes in a loop). Where the
    device states the pressure there are no outputs, and `valid_low` and `valid_high` are pressures."""

    kind: Annotated[PressureKind, Field(strict=False)]
    reference: Literal["gauge", "absolute"] = "gauge"
    low: Pressure
    high: Pressure
    output_low: float | None = Field(default=None, validate_default=True)
    output_high: float | None = Field(default=None, validate_default=True)
    valid_low: float | None = None
    valid_high: float | None = None
    excitation: Voltage = Field(default=5.0, gt=0)
    excitation_gain: Factor = 1.0
    excitation_tolerance: Share = Field(default=0.01, gt=0, lt=1)
    excitation_drift: Share = Field(default=0.003, gt=0, lt=1)
    gain: Factor = 1.0
    burden: Resistance | None = Field(default=None, validate_default=True)
    zero_limit: Pressure = Field(default=5e3, gt=0)
    height: Pressure = 0.0
    hose: DropTable | None = None
    line: DropTable
    compliance: Compliance = 0.0
    compliance_doubt: Share = Field(default=0.3, ge=0, le=1)
    thermal: PressurePerKelvin = 0.0
    leak: LeakTable | None = None

    @field_validator("output_low", "output_high", "valid_low", "valid_high", mode="before")
    @classmethod
    def _by_kind(cls, value: object, info: ValidationInfo) -> object:
        outputs = {PressureKind.LOOP: units.CURRENT, PressureKind.QUANTITY: units.PRESSURE}
        return None if value is None else in_si(value, outputs.get(info.data.get("kind", ""), units.VOLTAGE))

    _needed = field_validator("output_low", "output_high")(by_kind)

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
        out_low, out_high = self._outputs()
        valid_low, valid_high = self._valid(out_low, out_high)
        hose = self.hose
        return PressureInput(
            kind=self.kind,
            low=self.low,
            high=self.high,
            out_low=out_low / ratio,
            out_high=out_high / ratio,
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
            compliance=self.compliance,
            compliance_doubt=self.compliance_doubt,
            thermal=self.thermal,
            excitation_tolerance=self.excitation_tolerance,
            excitation_drift=self.excitation_drift,
            leak=self.leak.build(AIR if self.reference == "absolute" else 0.0) if self.leak else None,
        )

    def _outputs(self) -> tuple[float, float]:
        """What the device is given at `low` and `high`: the pressures themselves where it states them."""
        if self.output_low is None or self.output_high is None:
            return self.low, self.high
        return self.output_low, self.output_high

    def _valid(self, out_low: float, out_high: float) -> tuple[float, float]:
        margin = MARGIN * (out_high - out_low)
        low, high = (out_low - margin, out_high + margin)
        if self.kind is PressureKind.LOOP:
            low, high = LOOP_VALID
        return (
            low if self.valid_low is None else self.valid_low,
            high if self.valid_high is None else self.valid_high,
        )
