"""What a run is started with, checked before anything is tested."""

from dataclasses import dataclass
from typing import Any

from pydantic import TypeAdapter, ValidationError

from daq.publish.contract.base import PartNumber, Serial, TypedNote
from daq.stand.errors import RequestError

_FIELDS: dict[str, tuple[TypeAdapter[Any], str]] = {
    "part": (TypeAdapter(PartNumber), 'at most 32 characters of printable ASCII without " and \\'),
    "serial": (TypeAdapter(Serial | None), 'at most 40 characters of printable ASCII without " and \\'),
    "order": (TypeAdapter(TypedNote | None), "at most 64 characters, no control characters among them"),
    "operator": (TypeAdapter(TypedNote | None), "at most 64 characters, no control characters among them"),
}
"""What a result can carry, in words for whoever typed something else."""


@dataclass(frozen=True, slots=True)
class StartRequest:
    """What is to be tested. Without a serial one is assigned."""

    part: str
    serial: str | None = None
    order: str | None = None
    operator: str | None = None

    def __post_init__(self) -> None:
        """What no result could carry is refused before anything is tested.

        Raises:
            RequestError: a text is too long or has characters that the results contract does not allow.
        """
        for name, (field, expected) in _FIELDS.items():
            found = getattr(self, name)
            try:
                field.validate_python(found)
            except ValidationError as error:
                text = f"request to start: {name}: expected {expected}, found {found!r}; give another {name}"
                raise RequestError(text, (f"bad_{name}",)) from error
