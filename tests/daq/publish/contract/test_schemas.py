"""The schemas and the AsyncAPI document are those of the models, and the examples fit them."""

import json
import re
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft7Validator, Draft202012Validator

from daq.publish import contract
from daq.publish.contract import COMMANDS, Result, plain
from daq.publish.contract.schemas import HERE, SENT, asyncapi, files, names, schema
from tests.daq.publish.samples import STATUS, data

# The specification's own schema of its documents; its README beside it says where it is from.
SPECIFICATION = json.loads((Path(__file__).parents[3] / "published/asyncapi/3.0.0.json").read_text())
ANEW = "python -m daq.publish.contract.schemas"


def complaints(name: str, payload: Any) -> list[str]:
    checker = Draft202012Validator(schema(name), format_checker=Draft202012Validator.FORMAT_CHECKER)
    return [error.message for error in checker.iter_errors(payload)]


def example(name: str) -> Any:
    return json.loads((HERE / f"examples/{name}.json").read_text())


def test_the_files_are_what_the_models_and_the_page_give() -> None:
    there = {p.relative_to(HERE).as_posix(): p.read_text() for p in HERE.rglob("*.json")}
    assert there == files(), f"write them anew: {ANEW}"


@pytest.mark.parametrize("name", names())
def test_a_schema_is_one_and_its_example_fits(name: str) -> None:
    Draft202012Validator.check_schema(schema(name))
    assert complaints(name, example(name)) == []


@pytest.mark.parametrize("name", names())
def test_a_field_more_is_no_matter_and_one_less_is(name: str) -> None:
    """Fields may be added within v1, and readers ignore those; what must be there is demanded."""
    whole = example(name)
    assert complaints(name, whole | {"added_later": 1}) == []
    needed = schema(name)["required"]
    assert needed
    for field in needed:
        assert complaints(name, {k: v for k, v in whole.items() if k != field}), field


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_a_request_needs_an_end(name: str) -> None:
    endless = {k: v for k, v in example(name).items() if k not in ("expires_at", "valid_ms")}
    assert complaints(name, endless)
    assert complaints(name, endless | {"expires_at": None})
    assert complaints(name, endless | {"valid_ms": 600_001})
    assert complaints(name, endless | {"expires_at": "2031-05-04T07:12:50Z"}) == []


def test_what_the_models_write_fits() -> None:
    assert complaints("status", plain(STATUS)) == []
    assert complaints("result", plain(Result.of(data()))) == []
    assert complaints("status", plain(STATUS) | {"since": "2031-05-04T09:12:09+02:00"})  # not UTC


def test_a_plc_that_cannot_escape_is_given_nothing_to_escape() -> None:
    assert complaints("verdict", example("verdict") | {"serial": 'K"1'})
    assert complaints("verdict", example("verdict") | {"code": 4})


def test_the_document_is_an_asyncapi_3_document() -> None:
    assert [e.message for e in Draft7Validator(SPECIFICATION).iter_errors(asyncapi())] == []
    broken = asyncapi() | {"channels": {"status": {"adress": 1}}}
    assert not Draft7Validator(SPECIFICATION).is_valid(broken)


def test_the_document_names_every_topic_of_the_page() -> None:
    page = Path(contract.__file__).with_name("README.md").read_text()
    there = {c["address"].removeprefix("{root}/v1/{site}/{stand}/") for c in asyncapi()["channels"].values()}
    for topic in there - {f"cmd/{name}{tail}" for name in COMMANDS for tail in ("", "/reply")}:
        assert f"| `{topic}` |" in page
    assert {f"cmd/{name}" for name in COMMANDS} < there
    assert len(there) == len(SENT) - 1 + 2 * len(COMMANDS)


def test_every_reference_in_the_document_leads_somewhere() -> None:
    document = asyncapi()
    found = references(document)
    assert found
    for reference in found:
        if reference.startswith("./"):
            assert (HERE / reference).is_file()
            continue
        place: Any = document
        for step in reference.removeprefix("#/").split("/"):
            place = place[step]
        assert place


def test_the_document_states_qos_and_retain_as_the_page_does_for_each_topic() -> None:
    page = Path(contract.__file__).with_name("README.md").read_text()
    rows = re.findall(r"^\| `([a-z/{}]+)` \|[^|]+\| (yes|no|never) \| ([01]) \|", page, re.MULTILINE)
    expected = {topic: {"qos": int(qos), "retain": retained == "yes"} for topic, retained, qos in rows}
    document = asyncapi()
    told = set()
    for operation in document["operations"].values():
        name = operation["channel"]["$ref"].removeprefix("#/channels/")
        below = document["channels"][name]["address"].removeprefix("{root}/v1/{site}/{stand}/")
        topic = re.sub("^cmd/[a-z_]+", "cmd/{name}", below)
        assert operation["bindings"]["mqtt"] == expected[topic], name
        told.add(name)
    assert told == set(document["channels"])


def references(node: Any) -> list[str]:
    if isinstance(node, dict):
        own = [node["$ref"]] if "$ref" in node else []
        return own + [found for value in node.values() for found in references(value)]
    return [found for each in node for found in references(each)] if isinstance(node, list) else []
