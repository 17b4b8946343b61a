"""A TOML file as read, and everything that is wrong with it at once.

What a message quotes is short, and is no password: messages go into logs.
"""

import hashlib
import json
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any, TypeVar
from urllib.parse import unquote

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from daq.catalogue.errors import Problem
from daq.catalogue.fields import MISTAKE
from daq.catalogue.find import closed
from daq.printable import is_plain

Model = TypeVar("Model", bound=BaseModel)

NESTED = 16
"""Tables and arrays in one another; a sound file has five."""
_QUOTED = 80
_SECRET = re.compile(r":.*@|(pass\w*|pwd|secret|token)\s*=", re.IGNORECASE | re.DOTALL)
"""What may hold a password: a user's in a URL, or an option of that name."""
_WHOLE = "whole numbers of 64 bits, as TOML has them"
MOST = 1_000_000
"""Characters of a file, at most."""
DEEPEST = 30
"""Dots in a key, at most: reading one costs the square of them."""
_NAME = r"""(?:[A-Za-z0-9_-]++|"(?:[^"\\\n]|\\.)*+"|'[^'\n]*+')"""
_LONG_KEY = re.compile(rf"(?<![\w-])(?:{_NAME}[ \t]*+\.[ \t]*+){{{DEEPEST + 1}}}")
"""A key of too many names, wherever it stands: a name may hold a `=`, and a table in braces has keys too."""


@dataclass(frozen=True, slots=True)
class Source:
    """A file's path, its text, the SHA-256 of its bytes (hex), and the tables in it."""

    path: Path
    text: str
    digest: str
    tables: dict[str, Any]

    def problem(self, key: str, expected: str, found: str, do: str) -> Problem:
        return Problem(str(self.path), key, expected, found, do)

    def values(self) -> Iterator[tuple[tuple[int | str, ...], Any]]:
        """Everything in the file, outside first, with the way to it."""
        waiting: list[tuple[tuple[int | str, ...], Any]] = [((), self.tables)]
        for loc, value in waiting:  # which grows meanwhile
            yield loc, value
            inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
            waiting += [((*loc, step), each) for step, each in inner]

    def texts(self) -> Iterator[tuple[str, str]]:
        """Every text in the file, with its key."""
        yield from ((_key(loc, self.tables), value) for loc, value in self.values() if isinstance(value, str))


def open_source(path: Path) -> Source | Problem:
    """Reads a file, or says why it cannot be read."""
    try:
        raw = path.read_bytes()
        text = raw.decode()
        if found := _beyond(text):
            return Problem(str(path), "", f"at most {MOST} characters, and {DEEPEST} dots in a key", found, "mend it")
        source = Source(path, text, hashlib.sha256(raw).hexdigest(), tomllib.loads(text))
        return _unfit(source) or source
    except PermissionError:
        return closed(path)
    except OSError as error:
        found = error.strerror or str(error)
        return Problem(str(path), "", "a readable file", found.lower(), "create it, or point --config at its directory")
    except UnicodeDecodeError as error:
        return Problem(str(path), "", "UTF-8 text", f"another byte at offset {error.start}", "save the file as UTF-8")
    except tomllib.TOMLDecodeError as error:
        where = re.search(r"\(at (.*)\)$", str(error))
        place = where[1] if where else ""
        found = str(error).removesuffix(f" (at {place})")
        return Problem(str(path), place, "TOML", found[:1].lower() + found[1:], "mend the syntax there")
    except RecursionError:
        return Problem(str(path), "", f"at most {NESTED} tables and arrays in one another", "far more", "take some out")
    except ValueError:  # of a number that Python itself will not read
        return Problem(str(path), "", _WHOLE, "a number of thousands of digits", "write what is meant")


def _unfit(source: Source) -> Problem | None:
    """What no key may hold, whatever it means: tables too deep in one another, a number larger than TOML has, a text
    with a control character (but for line ends and tabs)."""
    for loc, value in source.values():
        key = _key(loc, source.tables)
        if len(loc) > NESTED:
            return source.problem(key, f"at most {NESTED} tables and arrays in one another", "more", "take some out")
        if isinstance(value, int) and not -(2**63) <= value < 2**63:
            return source.problem(key, _WHOLE, "a larger one", "write what is meant")
        if isinstance(value, str) and not is_plain(value.replace("\n", "").replace("\t", "")):
            return source.problem(key, "text without control characters", quoted(value), "take them out")
    return None


def quoted(value: object) -> str:
    """A value for a message."""
    return _discreet(repr(value))


def _discreet(text: str) -> str:
    """A text for a message: short, and hidden where a password may stand in it."""
    bare, decoded = text, unquote(text)
    while bare != decoded:
        bare, decoded = decoded, unquote(decoded)
    if _SECRET.search(bare):
        return "something that may hold a password, so it is not repeated here"
    return text if len(text) <= _QUOTED else f"{text[:_QUOTED]}…"


def _beyond(text: str) -> str:
    """What makes a text cost more to read than any configuration does, or an empty string."""
    if len(text) > MOST:
        return f"{len(text)} characters"
    if found := _LONG_KEY.search(text):
        return f"a key of more in line {text.count(chr(10), 0, found.start()) + 1}"
    return ""


def body_of(text: str) -> dict[str, Any]:
    """The tables in a sound file's text, fit for JSON: dates become ISO 8601 text."""
    body: dict[str, Any] = json.loads(json.dumps(tomllib.loads(text), default=str))
    return body


def validate(model: type[Model], source: Source, context: object = None) -> tuple[Model | None, list[Problem]]:
    """The file's tables as a model, or all that keeps them from being one."""
    try:
        return model.model_validate(source.tables, context=context), []
    except ValidationError as error:
        return None, [_problem(details, model, source) for details in error.errors(include_url=False)]


def _problem(details: ErrorDetails, model: type[BaseModel], source: Source) -> Problem:
    key = _key(details["loc"], source.tables)
    context: Mapping[str, Any] = details.get("ctx", {})
    match details["type"]:
        case kind if kind == MISTAKE:
            return source.problem(key, context["expected"], _discreet(context["found"]), context["do"])
        case "missing":
            return source.problem(key, "this key", "nothing", "add it")
        case "extra_forbidden":
            return _unknown_key(details["loc"], key, model, source)
        case "enum" | "literal_error":
            found = quoted(details["input"])
            return source.problem(key, f"one of {context['expected']}", found, "choose one of them")
        case "model_type" | "model_attributes_type":
            return source.problem(key, "a table", quoted(details["input"]), "write it as a table, with keys of its own")
        case _:
            message = details["msg"][:1].lower() + details["msg"][1:]
            found = quoted(_written(details["loc"], source.tables, details["input"]))
            return source.problem(key, message.removeprefix("input should be "), found, "change it")


def _written(loc: tuple[int | str, ...], tables: Any, otherwise: object) -> object:
    """What the file says there, with its unit; `otherwise` where it says nothing."""
    here = tables
    for step in loc:
        try:
            here = here[step]
        except (LookupError, TypeError):
            return otherwise
    return here


def _unknown_key(loc: tuple[int | str, ...], key: str, model: type[BaseModel], source: Source) -> Problem:
    known = _known_keys(model, loc[:-1])
    close = get_close_matches(str(loc[-1]), known, 1)
    do = f"did you mean {close[0]}?" if close else "remove it"
    return source.problem(key, f"one of the keys {', '.join(sorted(known))}", "an unknown key", do)


def _known_keys(model: type[BaseModel], loc: tuple[int | str, ...]) -> list[str]:
    """The keys of the table at `loc` below `model`."""
    inner: Any = model
    for step in loc:
        if isinstance(step, str) and step in inner.model_fields:
            inner = _table_in(inner.model_fields[step].annotation)
    return [field.alias or name for name, field in inner.model_fields.items()]


def _table_in(annotation: Any) -> Any:
    """The model inside an annotation such as `list[Model]`, `dict[str, Model]` or `Model | None`."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for arg in getattr(annotation, "__args__", ()) if (found := _table_in(arg))), None)


def _key(loc: tuple[int | str, ...], tables: Any) -> str:
    """`requirement[2].at_least`: tables of a list counted from 1; a list's named table says its name too."""
    text, here = "", tables
    for step in loc:
        if isinstance(step, int):
            text += f"[{step + 1}]"
            here = here[step] if isinstance(here, list) and step < len(here) else None
            name = here.get("name") if isinstance(here, dict) else None
            text += f' "{name}"' if isinstance(name, str) else ""
        else:
            text += f".{step}" if text else step
            here = here.get(step) if isinstance(here, dict) else None
    return text
