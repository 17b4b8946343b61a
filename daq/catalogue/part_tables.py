"""The tables of a part's file, checked field by field so that every mistake is found in one go."""

from typing import Annotated, Generic

from pydantic import Field, ValidationInfo, field_validator

from daq.catalogue.fields import (
    CurrentPerVolt,
    FlowPerVolt,
    PressurePerVolt,
    Revision,
    Table,
    Temperature,
    Time,
    Value,
    Voltage,
    refuse,
)
from daq.catalogue.requirement_table import RequirementTable, context
from daq.judge.requirement import Quantity
from daq.procedure.plan import Kind, Part, Principle, Sensitivity


class SensitivityTable(Table, Generic[Value]):
    """How a quantity follows the supply voltage: per volt, with the standard uncertainty of that number."""

    per_volt: Value
    doubt: Value | None = Field(default=None, ge=0)

    def build(self) -> Sensitivity:
        return Sensitivity(self.per_volt, self.doubt or 0.0)


class SensitivityTables(Table):
    """The part's own sensitivities; where one is missing, a deviation of the supply is doubt instead."""

    flow: SensitivityTable[FlowPerVolt] | None = None
    pressure: SensitivityTable[PressurePerVolt] | None = None
    peak_pressure: SensitivityTable[PressurePerVolt] | None = None
    current: SensitivityTable[CurrentPerVolt] | None = None

    def build(self) -> dict[str, Sensitivity]:
        """By quantity name."""
        return {name: table.build() for name, table in self if table is not None}


class TemperatureRange(Table):
    """The fluid temperatures in which readings count."""

    low: Temperature = 283.15
    high: Temperature = 313.15

    @field_validator("high")
    @classmethod
    def _above(cls, high: float, info: ValidationInfo) -> float:
        if high <= info.data.get("low", high - 1.0):
            refuse("more than `low`", "no more", "exchange or mend the two")
        return high


class CommutatorTable(Table):
    """What speed is told by: the commutator's segments, and the poles of the magnets (2: one pair)."""

    segments: int = Field(ge=3, le=40)
    poles: int = Field(default=2, ge=2, le=12, multiple_of=2)


class PartTable(Table):
    """The whole of a part's file."""

    number: str
    revision: Revision
    description: str
    kind: Annotated[Kind, Field(strict=False)]
    principle: Annotated[Principle, Field(strict=False)] = Principle.TURBINE
    fluid: str = Field(min_length=1)
    test_voltage: Voltage = Field(gt=0)
    voltage_tolerance: Voltage = Field(gt=0)
    temperature: TemperatureRange = TemperatureRange()
    dry_check: Time | None = None
    shutoff_limit: Time = 15.0
    commutator: CommutatorTable | None = None
    sensitivity: SensitivityTables = SensitivityTables()
    requirement: list[RequirementTable] = Field(min_length=1)

    @field_validator("fluid")
    @classmethod
    def _suits_the_meter(cls, fluid: str, info: ValidationInfo) -> str:
        meant = context(info).fluid
        if meant is not None and fluid != meant:
            do = "test in that fluid, or give channel.flow.other_fluid in stand.toml"
            refuse(f"{meant!r}, what the flowmeter's table was made with", repr(fluid), do)
        return fluid

    @field_validator("number")
    @classmethod
    def _fits_everywhere(cls, number: str) -> str:
        """The number stands in topics' payloads of fixed size and is typed by people (results contract: verdict)."""
        printable = number.isascii() and number.isprintable() and number.strip() == number
        if not 1 <= len(number) <= 32 or not printable or set(number) & set('"\\'):
            expected = '1 to 32 characters of printable ASCII without ", \\ and blanks at the ends'
            found = f"{number!r} ({len(number)} characters)"
            refuse(expected, found, "shorten or rewrite the number")
        return number

    def build(self, digest: str) -> Part:
        dry_check = self.dry_check or (2.0 if self.kind is Kind.PUMP else None)
        fill = [r.at_most for r in self.requirement if r.quantity is Quantity.FILL_TIME and r.at_most is not None]
        return Part(
            number=self.number,
            revision=self.revision,
            digest=digest,
            description=self.description,
            kind=self.kind,
            principle=self.principle,
            test_voltage=self.test_voltage,
            voltage_tolerance=self.voltage_tolerance,
            requirements=tuple(r.build() for r in self.requirement),
            dry_check_s=dry_check,
            shutoff_limit_s=self.shutoff_limit,
            fill_limit_s=max(fill, default=None),
            fluid=self.fluid,
            temperature_low=self.temperature.low,
            temperature_high=self.temperature.high,
            sensitivity=self.sensitivity.build(),
            segments=self.commutator.segments if self.commutator else None,
            poles=self.commutator.poles if self.commutator else 2,
        )
