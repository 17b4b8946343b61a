"""JSON Schemas (2020-12) of the payloads and an AsyncAPI 3.0 document, made from the models that write them.

`python -m daq.publish.contract.schemas` writes them anew: `schemas/`, `asyncapi.json` and, from README.md, `examples/`.
"""

import json
import re
import sys
from pathlib import Path
from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import GenerateJsonSchema

from daq.publish.contract.commands import COMMANDS, Reply
from daq.publish.contract.result import CONTENT_TYPE, Result
from daq.publish.contract.state import CONTRACT, Alarm, Heartbeat, Live, Meta, Stage, Status, Verdict

Json = dict[str, Any]
HERE = Path(__file__).parent
JSON_TYPE = "application/json"
SENT: dict[str, type[BaseModel]] = {
    "status": Status,
    "meta": Meta,
    "stage": Stage,
    "verdict": Verdict,
    "alarm": Alarm,
    "result": Result,
    "live": Live,
    "heartbeat": Heartbeat,
    "reply": Reply,
}
RETAINED = ("status", "meta", "stage", "verdict", "alarm")
FLEETING = ("live", "heartbeat")
_ADDRESS = "{root}/v1/{site}/{stand}"
_PARAMETERS = {
    "root": {"description": "The root of all topics.", "default": "steadyhead"},
    "site": {"description": "The site, of a to z, 0 to 9 and -.", "examples": ["marrow-hill"]},
    "stand": {"description": "The stand, of a to z, 0 to 9 and -.", "examples": ["bench-1"]},
}


class _Open(GenerateJsonSchema):
    """Readers ignore fields that they don't know, so a schema forbids none."""

    def generate(self, schema: Any, mode: Any = "validation") -> Json:
        made = _opened(super().generate(schema, mode))
        assert isinstance(made, dict)
        return made


def _opened(node: Any) -> Any:
    if isinstance(node, dict):
        return {k: _opened(v) for k, v in node.items() if (k, v) != ("additionalProperties", False)}
    return [_opened(each) for each in node] if isinstance(node, list) else node


def schema(name: str) -> Json:
    """The schema of a payload or request, by its heading in README.md."""
    if name in SENT:
        made = SENT[name].model_json_schema(mode="serialization", schema_generator=_Open)
    else:
        made = COMMANDS[name].model_json_schema(schema_generator=_Open)
        # What the model demands of its two fields together, which their types do not say.
        kinds = {"expires_at": "string", "valid_ms": "integer"}
        made["anyOf"] = [{"required": [k], "properties": {k: {"type": kind}}} for k, kind in kinds.items()]
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": f"urn:steadyhead:v1:{name}",
        **made,
    }


def names() -> list[str]:
    """All payloads and requests."""
    return [*SENT, *COMMANDS]


def example(name: str) -> str:
    """The example under a heading of README.md.

    Raises:
        LookupError: there is none.
    """
    page = (HERE / "README.md").read_text(encoding="utf-8")
    found = re.search(rf"^#+ {name}$.*?^```json\n(.*?)^```$", page, re.MULTILINE | re.DOTALL)
    if found is None:
        raise LookupError(f"README.md: expected a JSON example under the heading {name!r}, found none; write one")
    return found[1]


def _message(name: str) -> Json:
    payload = {
        "schemaFormat": "application/schema+json;version=draft-2020-12",
        "schema": {"$ref": f"./schemas/{name}.json"},
    }
    told: Json = {"name": name, "contentType": CONTENT_TYPE if name == "result" else JSON_TYPE, "payload": payload}
    return told | {"examples": [{"payload": json.loads(example(name))}]}


def _channel(below: str, message: str, extra: Json | None = None) -> Json:
    return {
        "address": f"{_ADDRESS}/{below}",
        "messages": {message: {"$ref": f"#/components/messages/{message}"}},
        "parameters": _PARAMETERS | (extra or {}),
    }


def _channels() -> Json:
    code = {"code": {"description": "The alarm's code.", "examples": ["over_pressure"]}}
    made = {n: _channel("alarm/{code}", n, code) if n == "alarm" else _channel(n, n) for n in SENT if n != "reply"}
    for name in COMMANDS:
        made[name] = _channel(f"cmd/{name}", name)
        made[f"{name}_reply"] = _channel(f"cmd/{name}/reply", "reply")
    return made


def _operation(action: str, channel: str, message: str) -> Json:
    bindings = {"mqtt": {"qos": 0 if channel in FLEETING else 1, "retain": channel in RETAINED}}
    return {
        "action": action,
        "channel": {"$ref": f"#/channels/{channel}"},
        "messages": [{"$ref": f"#/channels/{channel}/messages/{message}"}],
        "bindings": bindings,
    }


def _operations() -> Json:
    made = {f"send_{n}": _operation("send", n, n) for n in SENT if n != "reply"}
    for name in COMMANDS:
        answer = {
            "channel": {"$ref": f"#/channels/{name}_reply"},
            "messages": [{"$ref": f"#/channels/{name}_reply/messages/reply"}],
        }
        made[f"receive_{name}"] = _operation("receive", name, name) | {"reply": answer}
        made[f"send_{name}_reply"] = _operation("send", f"{name}_reply", "reply")  # a reply has no bindings of its own
    return made


def asyncapi() -> Json:
    """The document, from the daemon's point of view: it sends states and records, and receives requests."""
    about = (
        "What a test stand tells a line and a plant, and what it can be asked. README.md beside this file says more."
    )
    messages = {name: _message(name) for name in names()}
    return {
        "asyncapi": "3.0.0",
        "info": {"title": "steadyhead results contract", "version": CONTRACT, "description": about},
        "defaultContentType": JSON_TYPE,
        "channels": _channels(),
        "operations": _operations(),
        "components": {"messages": messages},
    }


def files() -> dict[str, str]:
    """The content of each file, by its path below this folder."""
    made = {f"schemas/{name}.json": _written(schema(name)) for name in names()}
    made |= {f"examples/{name}.json": example(name) for name in names()}
    return made | {"asyncapi.json": _written(asyncapi())}


def _written(made: Json) -> str:
    return json.dumps(made, indent=2, ensure_ascii=False) + "\n"


def main() -> None:
    """Writes them all."""
    for path, content in files().items():
        (HERE / path).parent.mkdir(exist_ok=True)
        (HERE / path).write_text(content, encoding="utf-8")
    sys.stdout.write(f"{len(files())} files written below {HERE}\n")


if __name__ == "__main__":
    main()
