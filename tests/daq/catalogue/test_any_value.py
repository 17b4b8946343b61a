"""Any TOML value under any key of any table: a sound configuration, or messages that say where, what and what to do."""

import datetime
import json
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from daq.catalogue.cautions import CautionsTable
from daq.catalogue.load import check, load_catalogue, load_stand
from daq.catalogue.part_tables import PartTable
from daq.catalogue.source import _table_in
from daq.catalogue.stand_tables import StandTable

SHIPPED = Path(__file__).parents[3] / "config"
UNITS = ("kPa", "bar", "L/h", "A", "V", "degC", "K", "s", "ohm", "%", "/L", "mV/K", "1/min", "kPa/s", "mL/bar", "")
LIMITS = settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])

Key = tuple[int | str, ...]

quantities = st.builds(
    "{}{} {}".format,
    st.sampled_from(["", "-", "1e", "-1e-", "0.", "1e-"]),
    st.integers(0, 10**6) | st.integers(0, 400),
    st.sampled_from(UNITS),
)
texts = (
    st.text(st.characters(codec="utf-8"), max_size=40)
    | quantities
    | st.sampled_from(["~nosuchuser", "mqtt://[", "a://b"])
)
plain = (
    st.booleans()
    | st.integers(-(2**70), 2**70)
    | st.sampled_from([10**4000, -1, 0])
    | st.floats()
    | texts
    | st.dates()
    | st.datetimes()
    | st.times()
)
values = st.recursive(
    plain, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(texts, inner, max_size=3), max_leaves=6
)


def toml(value: object) -> str:
    """A value as TOML writes it, tables inline. Whole numbers are written in base 16, which Python reads."""
    match value:
        case bool():
            return str(value).lower()
        case int():
            return f"0x{value:x}" if value >= 0 else f"-{-value}"
        case float() | datetime.date() | datetime.time():
            return value.isoformat() if not isinstance(value, float) else repr(value)
        case str():
            return (
                json.dumps(value).replace("\\ud", "\\uD").replace("\x7f", "\\u007f")
                if value.isascii()
                else _basic(value)
            )
        case list():
            return f"[{', '.join(map(toml, value))}]"
        case dict():
            return "{" + ", ".join(f"{toml(key)} = {toml(inner)}" for key, inner in value.items()) + "}"
    raise AssertionError(value)


def _basic(text: str) -> str:
    return '"' + "".join(f"\\U{ord(c):08x}" for c in text) + '"'


def keys(model: Any, tables: Any, at: Key = ()) -> Iterator[Key]:
    """Each key that a table of `tables`, or a table that may be in it, can have."""
    for name, field in model.model_fields.items():
        key = field.alias or name
        yield (*at, key)
        inner = _table_in(field.annotation)
        there = tables.get(key) if isinstance(tables, dict) else None
        if inner is not None:
            several = isinstance(there, list)
            yield from keys(inner, there[0] if several else there or {}, (*at, key, *([0] if several else [])))


FILES = {
    "stand.toml": (StandTable, SHIPPED / "stand.toml"),
    "driven.toml": (StandTable, SHIPPED / "stand-driven.toml"),
    "parts/part.toml": (PartTable, SHIPPED / "parts" / "mh-2140.toml"),
    "cautions.toml": (CautionsTable, SHIPPED / "cautions.toml"),
}
PLACES = [
    (file, key)
    for file, (model, path) in FILES.items()
    for key in keys(model, tomllib.loads(path.read_text(encoding="utf-8")))
]


def put(tables: Any, key: Key, value: object) -> None:
    """Writes a value at a key, and makes the tables on the way."""
    for step in key[:-1]:
        tables = tables[step] if isinstance(step, int) else tables.setdefault(step, {})
    tables[key[-1]] = value


def written(folder: Path, file: str, key: Key, value: object) -> Path:
    """A configuration with a value at a key of one file, and what has to be checked of it."""
    (folder / "parts").mkdir(exist_ok=True)
    for name, (_, path) in FILES.items():
        tables = tomllib.loads(path.read_text(encoding="utf-8"))
        if name == file:
            put(tables, key, value)
        text = "".join(f"{toml(each)} = {toml(inner)}\n" for each, inner in tables.items())
        (folder / name).write_text(text, encoding="utf-8")
    return folder / "driven.toml" if file == "driven.toml" else folder


@LIMITS
@given(st.sampled_from(PLACES), values)
@example(("stand.toml", ("revision",)), 10**4000)
@example(("stand.toml", ("record", "directory")), "~nosuchuser/records")
@example(("stand.toml", ("broker", "url")), "mqtt://127.0.0.1:65536")
@example(("stand.toml", ("channel", "pressure", "uncertainty", 0, "absolute")), "-1 kPa")
@example(("stand.toml", ("channel", "pressure", "line", "at")), "1e-300 L/h")
@example(("driven.toml", ("drive",)), [[[[[[]]]]]])
def test_any_value_under_any_key_is_taken_or_explained(tmp_path: Path, place: tuple[str, Key], value: object) -> None:
    file, key = place
    config = written(tmp_path, file, key, value)
    problems = check(config)
    for problem in problems:
        assert Path(problem.file).is_relative_to(tmp_path)
        assert all((problem.expected, problem.found, problem.do))
        assert "\n" not in str(problem)
        assert str(problem).isprintable() or not any(ord(c) < 32 for c in str(problem))
        assert len(str(problem)) < 2000
    if not problems:
        stand = load_stand(config)
        assert stand.body
        assert all(entry.body for entry in load_catalogue(config, stand.stand))


@pytest.mark.parametrize(
    "deep", ["[" * 5000 + "]" * 5000, "[" * 40 + "]" * 40, "9" * 5000, "{a=" * 3000 + "1" + "}" * 3000]
)
@pytest.mark.parametrize("file", ["stand.toml", "parts/part.toml", "cautions.toml"])
def test_what_python_itself_cannot_read_is_a_mistake_of_that_file(tmp_path: Path, file: str, deep: str) -> None:
    written(tmp_path, "", ("",), None)
    path = tmp_path / file
    path.write_text(f"revision_of_old = {deep}\n" + path.read_text(encoding="utf-8"), encoding="utf-8")
    mistakes = [problem for problem in check(tmp_path) if problem.file == str(path)]
    assert mistakes
    assert all(problem.found and problem.do for problem in mistakes)


NUMBERS = [
    ("stand.toml", ("channel", "pressure", "uncertainty", 0, "absolute"), "-2.5 kPa"),
    ("stand.toml", ("channel", "flow", "uncertainty", 0, "relative"), "-0.5 %"),
    ("stand.toml", ("channel", "flow", "uncertainty", 0, "relative"), "150 %"),
    ("stand.toml", ("channel", "pressure", "uncertainty", 0, "k"), 0.5),
    ("stand.toml", ("channel", "pressure", "line", "tolerance"), "-5 kPa"),
    ("stand.toml", ("channel", "pressure", "calibration", "temperature"), "-300 degC"),
    ("stand.toml", ("channel", "current", "gain"), -40),
    ("stand.toml", ("channel", "current", "gain"), 1e300),
    ("stand.toml", ("channel", "current", "assumed_within"), "-10 K"),
    ("stand.toml", ("channel", "temperature", "high"), "-200 degC"),
    ("stand.toml", ("channel", "level", "full"), "0.5 V"),
    ("stand.toml", ("limits", "pressure"), "0 kPa"),
    ("stand.toml", ("limits", "current"), "-1 A"),
    ("stand.toml", ("device", "address"), "tcp://bench:70000"),
    ("stand.toml", ("broker", "url"), "mqtt://127.0.0.1:0"),
    ("stand.toml", ("record", "database"), "postgresql://db:70000/records"),
    ("stand.toml", ("revision",), 2**40),
    ("parts/part.toml", ("sensitivity", "flow"), {"per_volt": "1 L/h/V", "doubt": "-1 L/h/V"}),
    ("parts/part.toml", ("test_voltage",), "1e9 V"),
]


@pytest.mark.parametrize(("file", "key", "value"), NUMBERS)
def test_a_number_outside_its_meaning_is_refused(tmp_path: Path, file: str, key: Key, value: object) -> None:
    assert check(written(tmp_path, "", ("",), None)) == []
    told = [p for p in check(written(tmp_path, file, key, value)) if p.file == str(tmp_path / file)]
    assert [str(key[-1]) in p.key for p in told] == [True]


secrets = st.text(st.characters(codec="ascii", categories=["L", "N", "P"]), min_size=6, max_size=12).filter(
    lambda text: text not in "mqtt://127.0.0.1:1883 something"
)
SPELLINGS = (str, lambda text: quote(text, safe=""), lambda text: "".join(f"%{ord(c):02X}" for c in text))
URLS = (
    *("mqtt://bench:{}@127.0.0.1:1883", "mqtt://:{}@127.0.0.1", "mqtt:bench:{}@127.0.0.1", "mqtts://bench%3A{}%40host"),
    *("mqtt://127.0.0.1:1883?password={}", "mqtt://127.0.0.1?p%61ssword={}", "mqtt//bench:{}@127.0.0.1:70000"),
)


@LIMITS
@given(
    secrets,
    st.sampled_from(SPELLINGS),
    st.sampled_from(URLS),
    st.sampled_from([str, lambda t: [t], lambda t: {"a": t}]),
)
def test_no_message_repeats_a_password(tmp_path: Path, secret: str, spell: Any, url: str, wrap: Any) -> None:
    text = url.format(spell(secret))
    for key in (("broker", "url"), ("record", "database"), ("device", "address"), ("broker",)):
        told = "\n".join(str(problem) for problem in check(written(tmp_path, "stand.toml", key, wrap(text))))
        if key != ("device", "address"):
            assert told
        assert secret not in told
        assert spell(secret) not in told
