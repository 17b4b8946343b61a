"""Reads tables of a TOML file into dataclasses, with every key checked.

Keys carry their unit in their name, so that a file can be read without this code; a `Key` says how to come to SI.
"""

from collections.abc import Mapping
from dataclasses import MISSING, dataclass, fields
from difflib import get_close_matches
from math import isfinite
from pathlib import Path
from typing import Any, TypeVar

from simulator.errors import ScenarioError

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Key:
    """A number: its field, SI = number × `scale` + `offset`, and the span that the number in the file must lie in."""

    field: str
    scale: float = 1.0
    offset: float = 0.0
    low: float = 0.0
    high: float = 1e9
    whole: bool = False


@dataclass(frozen=True, slots=True)
class Place:
    """A table in a file: `file` and dotted `name` for messages."""

    file: Path
    name: str

    def inside(self, key: str) -> "Place":
        return Place(self.file, f"{self.name}.{key}" if self.name else key)

    def error(self, expected: str, found: object) -> ScenarioError:
        return ScenarioError(f"{self.file}: {self.name}: expected {expected}, found {found!r}; correct it there")


def check_keys(place: Place, table: Mapping[str, object], known: "Mapping[str, object] | set[str]") -> None:
    """Refuses keys that nobody reads."""
    for key in table:
        if key not in known:
            near = get_close_matches(key, list(known), 1)
            hint = f"one of {', '.join(sorted(known))}" if not near else f"a known key ({near[0]}?)"
            raise place.inside(key).error(hint, key)


def table_at(place: Place, table: Mapping[str, Any], key: str, *, needed: bool = True) -> dict[str, Any]:
    """The table below `key`; empty where it is missing and not `needed`."""
    found = table.get(key, None if needed else {})
    if not isinstance(found, dict):
        raise place.inside(key).error("a table", found)
    return found


def number(place: Place, value: object, key: Key) -> float:
    """A number of a file, in SI."""
    kind = "a whole number" if key.whole else "a number"
    if isinstance(value, bool) or not isinstance(value, int if key.whole else int | float) or not isfinite(value):
        raise place.error(f"{kind} from {key.low:g} to {key.high:g}", value)
    if not key.low <= value <= key.high:
        raise place.error(f"{kind} from {key.low:g} to {key.high:g}", value)
    return value * key.scale + key.offset


def text(place: Place, value: object, longest: int = 40) -> str:
    """A short text of printable ASCII."""
    if isinstance(value, str) and 0 < len(value) <= longest and value.isascii() and value.isprintable():
        return value
    raise place.error(f"a text of 1 to {longest} printable ASCII characters", value)


def flag(place: Place, value: object) -> bool:
    if isinstance(value, bool):
        return value
    raise place.error("true or false", value)


def build(kind: type[T], keys: Mapping[str, Key], place: Place, table: Mapping[str, object], **given: object) -> T:
    """A dataclass from a table of numbers; fields in `given` come from the caller.

    Raises:
        ScenarioError: an unknown key, one that is missing, or a value out of its span.
    """
    check_keys(place, table, keys)
    found = dict(given)
    for name, key in keys.items():
        if name in table:
            value = number(place.inside(name), table[name], key)
            found[key.field] = round(value) if key.whole else value
    for field in fields(kind):  # type: ignore[arg-type]  # T is a dataclass; typing has no bound for it
        if field.init and field.name not in found and field.default is MISSING and field.default_factory is MISSING:
            missing = next(name for name, key in keys.items() if key.field == field.name)
            raise place.inside(missing).error("a number", "nothing")
    return kind(**found)
