"""What all payloads share: how they become text, and the kinds of field."""

import json
from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import (
    AwareDatetime,
    BaseModel,
    ConfigDict,
    Field,
    GetJsonSchemaHandler,
    PlainSerializer,
    SerializerFunctionWrapHandler,
    StringConstraints,
    WithJsonSchema,
    model_serializer,
)
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema

from daq.printable import CONTROLS
from daq.record.times import rfc3339

# Printable ASCII without the two characters that JSON would have to escape, so that a PLC needs no JSON parser.
_UNESCAPED = r"^[ !#-\[\]-~]*$"

TIME_SCHEMA = WithJsonSchema({"type": "string", "format": "date-time", "pattern": "Z$"}, mode="serialization")

Time = Annotated[AwareDatetime, PlainSerializer(rfc3339, return_type=str, when_used="json"), TIME_SCHEMA]
Name = Annotated[str, StringConstraints(pattern=r"^[a-z0-9-]{1,32}$")]
Word = Annotated[str, StringConstraints(pattern=r"^[a-z0-9_.]{1,40}$")]
PartNumber = Annotated[str, StringConstraints(pattern=_UNESCAPED, min_length=1, max_length=32)]
Why = Annotated[str, StringConstraints(pattern=_UNESCAPED, max_length=24)]
"""Of a verdict, with its words all in ASCII: it must fit a PLC's 256 bytes."""
Serial = Annotated[str, StringConstraints(pattern=_UNESCAPED, min_length=1, max_length=40)]
RunId = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}$")]
Seq = Annotated[int, Field(ge=1, le=2**31 - 1)]
Note = Annotated[str, StringConstraints(max_length=64)]
TypedNote = Annotated[str, StringConstraints(max_length=64, pattern=f"^[^{CONTROLS}]*$")]
"""A note as it may come in: people see it again in terminals and tables."""
Flag = Literal[0, 1]


class Payload(BaseModel):
    """Something that is sent. Frozen; a number that is none (NaN, infinite) is refused."""

    # All fields are always written, so that a schema demands them.
    model_config = ConfigDict(
        frozen=True, extra="forbid", allow_inf_nan=False, json_schema_serialization_defaults_required=True
    )


class Quantity(Payload):
    """A number with its UCUM unit; `reference` stands with pressures only."""

    model_config = ConfigDict(json_schema_serialization_defaults_required=False)  # `reference` may be left out

    value: float
    unit: str
    reference: Literal["gauge", "absolute"] | None = None

    @classmethod
    def __get_pydantic_json_schema__(cls, core: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        # The serializer below says only that it writes an object.
        fields: Any = {key: part for key, part in core.items() if key != "serialization"}
        return handler(fields)

    @model_serializer(mode="wrap")
    def _without_reference(self, write: SerializerFunctionWrapHandler) -> dict[str, Any]:
        written: dict[str, Any] = write(self)
        if self.reference is None:
            del written["reference"]
        return written


def quantity(value: float | None, unit: str, reference: Literal["gauge", "absolute"] | None = None) -> Quantity | None:
    """A quantity, or None where there is no value.

    Raises:
        ValidationError: the value is NaN or infinite; a missing value is None.
    """
    return None if value is None else Quantity(value=value, unit=unit, reference=reference)


def plain(payload: BaseModel) -> dict[str, Any]:
    """The payload as JSON's own types, keys worded as in the contract."""
    made: dict[str, Any] = payload.model_dump(mode="json", by_alias=True)
    return made


def text(payload: BaseModel) -> str:
    """The payload as it is sent: one line of JSON without spaces."""
    return json.dumps(plain(payload), separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def clean(words: str, limit: int) -> str:
    """At most `limit` characters that need no escape; others become `?`."""
    return "".join(c if " " <= c <= "~" and c not in '"\\' else "?" for c in words)[:limit]


def seconds(moment: datetime) -> str:
    """RFC 3339 to the second, for the payload that has to stay small."""
    return rfc3339(moment, "seconds")
