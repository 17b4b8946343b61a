"""The tables of a part's file, checked field by field so that every mistake is found in one go."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any, Generic, Literal

from pydantic import Field, ValidationInfo, field_validator

from daq.catalogue import units
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
    in_si,
    refuse,
)
from daq.catalogue.quantities import DIMENSIONS, MEASURED, PRESSURES, Range, judged_in, spans, stages
from daq.judge.requirement import Mode, Quantity, Requirement
from daq.procedure.plan import Kind, Part, Principle, Sensitivity, Stand

NOT_MEASURED = "this version does not measure it"


@dataclass(frozen=True, slots=True)
class Context:
    """What a requirement is checked against: the part's stages (empty where its kind is unknown), and the stand.

    `spans` is empty and `absolute` None where no stand is known; `fluid` is the only one that its meter can be trusted
    in, None where it does not matter.
    """

    stages: tuple[str, ...] = ()
    spans: Mapping[Quantity, Range] = field(default_factory=dict)
    absolute: bool | None = None
    fluid: str | None = None


class SensitivityTable(Table, Generic[Value]):
    """How a quantity follows the supply voltage: per volt, with the standard uncertainty of that number."""

    per_volt: Value
    doubt: Value | None = None

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


class RequirementTable(Table):
    """One limit or band. The order of the fields is the order in which one may refer to another."""

    name: str = Field(min_length=1, max_length=60)
    quantity: Annotated[Quantity, Field(strict=False)]
    stage: str
    reference: Literal["gauge", "absolute"] = Field(default="gauge", validate_default=True)
    at_least: float | None = None
    at_most: float | None = Field(default=None, validate_default=True)
    at: str | None = None
    after: str | None = None
    mode: Annotated[Mode, Field(strict=False)] = Mode.DECIDE
    guard: float = Field(default=1.0, ge=0, le=3)

    @field_validator("quantity")
    @classmethod
    def _is_measured(cls, quantity: Quantity) -> Quantity:
        if quantity not in MEASURED:
            refuse(f"one of {', '.join(MEASURED)}", f"{quantity.value!r}, {NOT_MEASURED}", "take the requirement out")
        return quantity

    @field_validator("stage")
    @classmethod
    def _stage_is_there(cls, stage: str, info: ValidationInfo) -> str:
        known = _context(info).stages
        if known and stage not in known:
            do = "choose one of them; a module has dry_check where the part gives `dry_check`"
            refuse(f"a stage of this kind: {', '.join(known)}", repr(stage), do)
        quantity = info.data.get("quantity")
        if known and quantity is not None and quantity not in judged_in(stage):
            able = ", ".join(name for name in known if quantity in judged_in(name)) or "none of this kind"
            given = ", ".join(judged_in(stage)) or "nothing: " + NOT_MEASURED
            refuse(
                f"a stage that gives {quantity}: {able}", f"{stage!r}, which gives {given}", "change stage or quantity"
            )
        return stage

    @field_validator("reference")
    @classmethod
    def _as_the_stand(cls, reference: str, info: ValidationInfo) -> str:
        absolute = _context(info).absolute
        if info.data.get("quantity") in PRESSURES and absolute is not None and absolute != (reference == "absolute"):
            stand = "absolute" if absolute else "gauge"
            refuse(f"{stand!r}, as the stand measures", repr(reference), f"state the limits in {stand} pressure")
        return reference

    @field_validator("at_least", "at_most", mode="before")
    @classmethod
    def _has_its_dimension(cls, value: object, info: ValidationInfo) -> float | None:
        quantity = info.data.get("quantity")
        if value is None or quantity is None:
            return None
        limit = in_si(value, DIMENSIONS[quantity])
        span = _context(info).spans.get(quantity)
        if span is not None and not span.low <= limit <= span.high:
            low, high = units.show(span.low, DIMENSIONS[quantity]), units.show(span.high, DIMENSIONS[quantity])
            do = "change the limit, or fit and configure a sensor that reaches it"
            refuse(f"a limit from {low} to {high}, the range of {span.end}", repr(value), do)
        return limit

    @field_validator("at_most")
    @classmethod
    def _band_is_upright(cls, at_most: float | None, info: ValidationInfo) -> float | None:
        if "at_least" not in info.data or "quantity" not in info.data:
            return at_most
        at_least = info.data["at_least"]
        if at_least is None and at_most is None:
            refuse("`at_least`, `at_most` or both", "neither", "give the limit")
        if at_least is not None and at_most is not None and at_most <= at_least:
            refuse("more than `at_least`", "no more than it", "exchange or mend the two limits")
        return at_most

    @field_validator("at", "after")
    @classmethod
    def _needs_more(cls, value: str | None, info: ValidationInfo) -> str | None:
        if value is not None:
            what = "a pressure–flow curve" if info.field_name == "at" else "residual pressure"
            refuse("no such key", f"{value!r}, which needs {what}: {NOT_MEASURED}", "take the requirement out")
        return value

    @field_validator("mode")
    @classmethod
    def _decides(cls, mode: Mode) -> Mode:
        if mode is Mode.REPORT:
            refuse("'decide'", f"'report': {NOT_MEASURED}", "leave `mode` out")
        return mode

    def build(self) -> Requirement:
        return Requirement(self.name, self.quantity, self.stage, self.at_least, self.at_most, guard=self.guard)


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
    sensitivity: SensitivityTables = SensitivityTables()
    requirement: list[RequirementTable] = Field(min_length=1)

    @field_validator("fluid")
    @classmethod
    def _suits_the_meter(cls, fluid: str, info: ValidationInfo) -> str:
        meant = _context(info).fluid
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
        )


def context_of(tables: Mapping[str, Any], stand: Stand | None) -> Context:
    """The context of a part that may itself hold mistakes, on a stand if one is known."""
    try:
        known = stages(Kind(str(tables.get("kind"))), dry_check="dry_check" in tables)
    except ValueError:
        known = ()
    if stand is None:
        return Context(known)
    meter = stand.channels.flow
    fluid = None if meter.other_fluid else meter.fluid
    return Context(known, spans(stand), stand.channels.pressure.absolute_reference, fluid)


def _context(info: ValidationInfo) -> Context:
    return info.context if isinstance(info.context, Context) else Context()
