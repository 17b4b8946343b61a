"""The table of one requirement in a part's file, checked against the part's stages and what the stand can judge."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationInfo, field_validator

from daq.catalogue import units
from daq.catalogue.fields import Table, in_si, refuse
from daq.catalogue.quantities import (
    AFTER,
    AT_FLOW,
    DIMENSIONS,
    PRESSURES,
    READ_ONCE,
    RESIDUAL,
    WINDOWED,
    Range,
    judged_in,
    spans,
    stages,
)
from daq.judge.requirement import Mode, Quantity, Requirement
from daq.procedure.plan import Kind, Stand
from daq.procedure.table import RATED


@dataclass(frozen=True, slots=True)
class Context:
    """What a requirement is checked against: the part's stages (empty where its kind is unknown), and the stand.

    `spans` is empty and `absolute` None where no stand is known; `fluid` is the only one that its meter can be trusted
    in, None where it does not matter. `commutator` says whether the part tells its segments, `leak` whether the stand's
    own leak is known.
    """

    stages: tuple[str, ...] = ()
    spans: Mapping[Quantity, Range] = field(default_factory=dict)
    absolute: bool | None = None
    fluid: str | None = None
    commutator: bool = True
    leak: bool = True


class RequirementTable(Table):
    """One limit or band. The order of the fields is the order in which one may refer to another."""

    name: str = Field(min_length=1, max_length=60)
    quantity: Annotated[Quantity, Field(strict=False)]
    stage: str
    reference: Literal["gauge", "absolute"] = Field(default="gauge", validate_default=True)
    at_least: float | None = None
    at_most: float | None = Field(default=None, validate_default=True)
    at: tuple[Quantity, float] | None = Field(default=None, validate_default=True)
    after: float | None = Field(default=None, validate_default=True)
    mode: Annotated[Mode, Field(strict=False)] = Mode.DECIDE
    target: float | None = None
    guard: float = Field(default=1.0, ge=0, le=3)

    @field_validator("quantity")
    @classmethod
    def _can_be_told(cls, quantity: Quantity, info: ValidationInfo) -> Quantity:
        if quantity is Quantity.SPEED and not context(info).commutator:
            do = "add commutator = { segments = 8, poles = 2 }, with the motor's own numbers, to the part"
            refuse("a part that tells its commutator's segments", f"{quantity.value!r} and no `commutator`", do)
        return quantity

    @field_validator("stage")
    @classmethod
    def _stage_is_there(cls, stage: str, info: ValidationInfo) -> str:
        known = context(info).stages
        if known and stage not in known:
            do = "choose one of them; a module has dry_check where the part gives `dry_check`"
            refuse(f"a stage of this kind: {', '.join(known)}", repr(stage), do)
        quantity = info.data.get("quantity")
        if known and quantity is not None and quantity not in judged_in(stage):
            able = ", ".join(name for name in known if quantity in judged_in(name)) or "none of this kind"
            given = ", ".join(judged_in(stage)) or "nothing"
            refuse(
                f"a stage that gives {quantity}: {able}", f"{stage!r}, which gives {given}", "change stage or quantity"
            )
        if stage == RESIDUAL and not context(info).leak:
            do = "run `steadyhead setup leak` and put what it prints into stand.toml"
            refuse("a stand whose own leak is known", "no [channel.pressure.leak] in stand.toml", do)
        return stage

    @field_validator("reference")
    @classmethod
    def _as_the_stand(cls, reference: str, info: ValidationInfo) -> str:
        absolute = context(info).absolute
        is_pressure = info.data.get("quantity") in PRESSURES or info.data.get("stage") == RATED
        if is_pressure and absolute is not None and absolute != (reference == "absolute"):
            stand = "absolute" if absolute else "gauge"
            refuse(f"{stand!r}, as the stand measures", repr(reference), f"state the limits in {stand} pressure")
        return reference

    @field_validator("at_least", "at_most", mode="before")
    @classmethod
    def _has_its_dimension(cls, value: object, info: ValidationInfo) -> float | None:
        quantity = info.data.get("quantity")
        if value is None or quantity is None:
            return None
        return _in_range(value, quantity, info, "a limit")

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

    @field_validator("at", mode="before")
    @classmethod
    def _at_a_place(cls, value: object, info: ValidationInfo) -> tuple[Quantity, float] | None:
        """The pressure or flow that a quantity is required at, by what its unit says; that of a pressure is a flow."""
        quantity = info.data.get("quantity")
        if quantity is None or not _belongs(value, info, RATED, 'at = "400 kPa" (a flow where a pressure is required)'):
            return None
        by_flow = quantity is Quantity.PRESSURE or (quantity in AT_FLOW and units.is_a(value, units.FLOW))
        place = Quantity.FLOW if by_flow else Quantity.PRESSURE
        at = _in_range(value, place, info, "a place")
        if at <= 0.0:
            refuse("more than nothing", repr(value), "give the pressure or flow, or require it in free_flow or shutoff")
        return place, at

    @field_validator("after", mode="before")
    @classmethod
    def _after_a_time(cls, value: object, info: ValidationInfo) -> float | None:
        """The time since power-off."""
        if not _belongs(value, info, RESIDUAL, 'after = "60 s"'):
            return None
        after = in_si(value, units.TIME)
        if not AFTER.low <= after <= AFTER.high:
            refuse(f"a time from {AFTER.low:g} s to {AFTER.high:g} s after power-off", repr(value), "change it")
        return after

    @field_validator("mode")
    @classmethod
    def _can_be_reported(cls, mode: Mode, info: ValidationInfo) -> Mode:
        stage, quantity = info.data.get("stage"), info.data.get("quantity")
        if mode is Mode.REPORT and stage is not None and (stage not in WINDOWED or quantity in READ_ONCE):
            able = " or ".join(WINDOWED)
            found = f"'report' for {quantity} in {stage!r}, which is read once"
            refuse(f"'report' only for what is read over windows in {able}", found, "leave `mode` out")
        return mode

    @field_validator("target", mode="before")
    @classmethod
    def _is_a_target(cls, value: object, info: ValidationInfo) -> float | None:
        quantity = info.data.get("quantity")
        if value is None or quantity is None or "mode" not in info.data:
            return None
        if info.data["mode"] is not Mode.REPORT:
            refuse("no `target` without mode = 'report'", repr(value), "add the mode, or take the target out")
        target = in_si(value, DIMENSIONS[quantity])
        if target <= 0.0:
            refuse("an uncertainty above 0", repr(value), "give the U that ends the reading")
        return target

    def build(self) -> Requirement:
        return Requirement(
            self.name,
            self.quantity,
            self.stage,
            self.at_least,
            self.at_most,
            None if self.at is None else self.at[1],
            self.after,
            self.mode,
            self.guard,
            self.target,
            at_flow=self.at is not None and self.at[0] is Quantity.FLOW,
        )


def _in_range(value: object, quantity: Quantity, info: ValidationInfo, what: str) -> float:
    """A value of a quantity, within what the stand can judge."""
    read = in_si(value, DIMENSIONS[quantity])
    span = context(info).spans.get(quantity)
    if span is not None and not span.low <= read <= span.high:
        low, high = units.show(span.low, DIMENSIONS[quantity]), units.show(span.high, DIMENSIONS[quantity])
        do = f"change {what.replace('a ', 'the ')}, or fit and configure a sensor that reaches it"
        refuse(f"{what} from {low} to {high}, the range of {span.end}", repr(value), do)
    return read


def _belongs(value: object, info: ValidationInfo, stage: str, example: str) -> bool:
    """Whether a key of one stage is there; refused elsewhere, and where it is missing in that stage."""
    named = info.data.get("stage")
    if value is None:
        if named == stage:
            refuse(f"this key in stage {stage!r}, such as {example}", "nothing", "add it")
        return False
    if named not in (stage, None):
        refuse(f"no `{info.field_name}` but in stage {stage!r}", repr(value), "take it out, or change the stage")
    return named is not None


def context_of(tables: Mapping[str, Any], stand: Stand | None) -> Context:
    """The context of a part that may itself hold mistakes, on a stand if one is known."""
    try:
        known = stages(Kind(str(tables.get("kind"))), dry_check="dry_check" in tables)
    except ValueError:
        known = ()
    commutator = "commutator" in tables
    if stand is None:
        return Context(known, commutator=commutator)
    meter, pressure = stand.channels.flow, stand.channels.pressure
    fluid = None if meter.other_fluid else meter.fluid
    return Context(known, spans(stand), pressure.absolute_reference, fluid, commutator, pressure.leak is not None)


def context(info: ValidationInfo) -> Context:
    """What a field is checked against; where nobody said, nothing."""
    return info.context if isinstance(info.context, Context) else Context()
