"""What every channel's table says of its sensor: when it was calibrated, and how far it is to be trusted."""

import datetime
import math
from typing import Annotated, Generic, Self

from pydantic import Field, ValidationInfo, field_validator, model_validator

from daq.catalogue.fields import Coverage, Share, Table, Temperature, Value, refuse
from daq.measure.channels import Distribution, Doubt, Per

QUANTITY = "quantity"
"""The `kind` of a channel whose device states the quantity itself: nothing is said there of volts or pulses."""


def by_kind(value: Value | None, info: ValidationInfo) -> Value | None:
    """Refuses a key that turns volts or pulses into a quantity where the device states that itself, and its lack where
    it does not."""
    stated = info.data.get("kind") == QUANTITY
    if stated and value is not None:
        refuse(f'no such key beside kind = "{QUANTITY}"', f"{value:g}", "take it out, or mend `kind`")
    if value is None and not stated and "kind" in info.data:
        refuse("this key", "nothing", "add it")
    return value


def or_nan(value: float | None) -> float:
    """What a channel knows of a key that its device makes needless."""
    return math.nan if value is None else value


class DoubtTable(Table, Generic[Value]):
    """One source of uncertainty. With `k` it is an expanded one; without, the limits of a rectangle."""

    source: str = Field(min_length=1)
    absolute: Value | None = Field(default=None, ge=0)
    relative: Share | None = None
    k: Coverage | None = None
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
