"""The row of requests that are repeated, retained, late, malformed, or a stranger's: only good ones may begin a run."""

import json
import random
import time
from collections.abc import Iterator
from typing import Any
from uuid import uuid4

from paho.mqtt import subscribe
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion

from daq.publish.contract import COMMANDS
from tests.system.faults.bench import ACCESS, Bench, CampaignError, Row, bench, wait_for
from tests.system.faults.launcher import PART

BASE = "steadyhead/v1/marrow-hill/bench-1"
CMD = f"{BASE}/cmd/"
WRONG: tuple[Any, ...] = (None, True, -1, 2**70, 0.5, "", "\u0000", "x" * 300, [], {}, [[[[]]]])
NOT_JSON = (b"", b"{", b"\xff\xfe", b"[" * 4000, b"x" * 5000, b'{"request_id":NaN}', b"null", b"[]")
STRANGER = "stranger"
"""The broker's access list lets only those without a name write: keeping strangers out is the broker's part."""
SOON_S = 0.5
"""Within this a run that a request begins is listed."""


def _send(at: Bench, *messages: tuple[str, bytes | str, bool], name: str | None = None) -> None:
    """Returns when the broker has acknowledged them all."""
    client = Client(CallbackAPIVersion.VERSION2, f"asks-{uuid4().hex[:8]}", protocol=MQTTProtocolVersion.MQTTv5)
    if name is not None:
        client.username_pw_set(name, "anything")
    client.connect("127.0.0.1", at.broker.port)
    while not client.is_connected() and client.loop(1.0) == MQTTErrorCode.MQTT_ERR_SUCCESS:
        pass
    sent = [client.publish(topic, payload, qos=1, retain=retain) for topic, payload, retain in messages]
    while not all(one.is_published() for one in sent) and client.loop(1.0) == MQTTErrorCode.MQTT_ERR_SUCCESS:
        pass
    client.disconnect()
    if not all(one.is_published() for one in sent):
        raise CampaignError("the broker did not take the requests")


def _ready(at: Bench) -> bool:
    """As a stand's retained stage tells it, which comes when requests can be heard."""
    stage = subscribe.simple(f"{BASE}/stage", hostname="127.0.0.1", port=at.broker.port)
    return json.loads(stage.payload)["ready"] is True


def _start(**more: Any) -> str:
    return json.dumps({"request_id": uuid4().hex, "valid_ms": 5000, "part": PART, **more})


def _malformed(count: int, draw: random.Random) -> Iterator[tuple[str, bytes | str, bool]]:
    """From the schema of each command: a field left out, or of a wrong type or value; and what is no JSON at all."""
    for k in range(count):
        name = draw.choice(list(COMMANDS))
        if k % 4 == 0:
            yield CMD + name, draw.choice(NOT_JSON), False
            continue
        schema = COMMANDS[name].model_json_schema()
        body: dict[str, Any] = dict.fromkeys(schema["properties"], "?")
        body |= {"request_id": uuid4().hex, "valid_ms": 5000, "expires_at": None, "part": PART}
        spoilt = draw.choice(schema["required"])
        if k % 2:
            del body[spoilt]
        else:
            body[spoilt] = draw.choice([bad for bad in WRONG if bad != body[spoilt]])
        yield CMD + name, json.dumps({key: value for key, value in body.items() if key in schema["properties"]}), False


def _bad(count: int, good: str, draw: random.Random) -> Iterator[tuple[str, bytes | str, bool]]:
    """What must not begin a run, `count` of each kind; `good` was carried out before."""
    for _ in range(count):
        yield CMD + "start", good, False
        yield CMD + "start", _start(order="retained"), True
        yield CMD + "start", b"", True  # lets the broker forget it
        yield CMD + "start", _start(order="expired", valid_ms=None, expires_at="2001-01-01T00:00:00Z"), False
        yield CMD + "start", json.dumps({"request_id": uuid4().hex, "part": PART}), False
        yield CMD + "start", _start(part="MH-0000"), False
        yield f"{CMD}begin", _start(), False
        yield f"{CMD.replace('bench-1', 'bench-9')}start", _start(), False
    yield from _malformed(4 * count, draw)


def hostile(times: int, each: int = 5) -> Row:
    """Good starts, and behind each a flood of bad ones. A run too many is an error of this row."""
    draw = random.Random(7)
    with bench(settings=ACCESS) as at:
        at.start(0, asked=True)
        wait_for(lambda: _ready(at), "the stand")
        bad = 0
        for k in range(times):
            good = _start(operator="plc")
            _send(at, (CMD + "start", good, False))
            wait_for(lambda k=k: len(at.received()) > k, f"the run of a good start; {at.tail()}")  # type: ignore[misc]
            flood = list(_bad(each, good, draw))
            for begin in range(0, len(flood), 16):  # the daemon lets 32 wait and drops what is more
                _send(at, *flood[begin : begin + 16])
                time.sleep(0.2)
            _send(at, *[(CMD + "start", _start(operator="stranger"), False) for _ in range(each)], name=STRANGER)
            time.sleep(SOON_S)
            bad += len(flood) + each
        refused = at.daemon_log.read_text(encoding="utf-8").count("refused: ")
        runs = len(at.listed)
        at.stop()
        remark = f"{times} good starts, {bad} bad requests ({refused} notices of the refused), {runs} runs"
        return Row(
            "requests repeated, retained, expired, malformed, strange",
            bad,
            at.finish(),
            0.0,
            remark if runs == times else f"NOT: {remark}",
        )
