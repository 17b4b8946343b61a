"""The building blocks of the configuration models: tables that know their keys, and fields with a unit."""

import re
from pathlib import Path
from typing import Annotated, NoReturn, TypeVar

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field
from pydantic_core import PydanticCustomError

from daq.catalogue import units
from daq.catalogue.units import Dimension

MISTAKE = "mistake"
"""The type of an error whose context says what was expected, what was found and what to do."""

Value = TypeVar("Value", bound=float)
"""A float with a unit, where the table around it says which."""

_TOPIC_NAME = re.compile(r"[a-z0-9-]{1,32}")  # as the results contract has it


class Table(BaseModel):
    """A TOML table: unknown keys are mistakes, and a text is never taken for a number."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


def refuse(expected: str, found: str, do: str) -> NoReturn:
    """Refuses the field under validation.

    Raises:
        PydanticCustomError: always.
    """
    context = {"expected": expected, "found": found, "do": do}
    raise PydanticCustomError(MISTAKE, "expected {expected}, found {found}; {do}", context)


def in_si(value: object, dimension: Dimension) -> float:
    """The SI value of a text with a unit.

    Raises:
        PydanticCustomError: it is no value of this dimension.
    """
    try:
        return units.read_sane(value, dimension)
    except units.UnitMistakeError as mistake:
        refuse(mistake.expected, mistake.found, mistake.do)


def _topic_name(text: str) -> str:
    if not _TOPIC_NAME.fullmatch(text):
        refuse("1 to 32 small letters, digits and hyphens", repr(text), "rename it, since it stands in MQTT topics")
    return text


def _unit(dimension: Dimension) -> BeforeValidator:
    return BeforeValidator(lambda value: in_si(value, dimension))


def _place(text: str) -> str:
    try:
        Path(text).expanduser()
    except RuntimeError:  # no such user
        do = "write the path out, or begin it with ~/"
        refuse("a path, whose ~ or ~USER is somebody's home", f"{text!r}, where nobody has one", do)
    return text


Share = Annotated[float, _unit(units.SHARE)]
Pressure = Annotated[float, _unit(units.PRESSURE)]
Flow = Annotated[float, _unit(units.FLOW)]
Current = Annotated[float, _unit(units.CURRENT)]
Voltage = Annotated[float, _unit(units.VOLTAGE)]
Temperature = Annotated[float, _unit(units.TEMPERATURE)]
TemperatureDifference = Annotated[float, _unit(units.TEMPERATURE_DIFFERENCE)]
Time = Annotated[float, _unit(units.TIME), Field(gt=0)]
Frequency = Annotated[float, _unit(units.FREQUENCY), Field(gt=0)]
Resistance = Annotated[float, _unit(units.RESISTANCE), Field(ge=0)]
Pulses = Annotated[float, _unit(units.PULSES), Field(gt=0)]
PerKelvin = Annotated[float, _unit(units.PER_KELVIN)]
VoltsPerKelvin = Annotated[float, _unit(units.VOLTS_PER_KELVIN)]
PressurePerKelvin = Annotated[float, _unit(units.PRESSURE_PER_KELVIN), Field(ge=0)]
VoltagePerTime = Annotated[float, _unit(units.VOLTAGE_PER_TIME), Field(ge=0)]
PressurePerTime = Annotated[float, _unit(units.PRESSURE_PER_TIME), Field(ge=0)]
Compliance = Annotated[float, _unit(units.COMPLIANCE), Field(ge=0)]
FlowPerVolt = Annotated[float, _unit(units.per_volt(units.FLOW))]
PressurePerVolt = Annotated[float, _unit(units.per_volt(units.PRESSURE))]
CurrentPerVolt = Annotated[float, _unit(units.per_volt(units.CURRENT))]
Data = Annotated[float, _unit(units.DATA), Field(ge=0)]
Factor = Annotated[float, Field(ge=1e-6, le=1e6)]
"""A gain, or how a voltage is divided."""
Coverage = Annotated[float, Field(ge=1.0, le=14.0)]
"""The factor k of an expanded uncertainty: up to Student's for one degree of freedom, 13.97 at 95.45 % (JCGM 100:2008,
table G.2)."""
Place = Annotated[str, Field(min_length=1), AfterValidator(_place)]
"""A path, in which a ~ can be resolved."""
TopicName = Annotated[str, AfterValidator(_topic_name)]
Revision = Annotated[int, Field(ge=1, le=2**31 - 1)]
