"""A request is carried out once, in time, or not at all; and its sender learns which."""

import json
from datetime import timedelta
from typing import Any

import pytest

from daq.publish.contract import Command, Reply, ReplyState
from daq.publish.desk import Answer, Desk, Request
from daq.record.async_store import AsyncStore
from daq.record.errors import DatabaseBusyError, DiskFullError
from daq.record.store import Store
from daq.record.values import Claim
from tests.daq.publish.conftest import EACH_DATABASE
from tests.daq.publish.samples import NOW, RUN
from tests.daq.record.bench import BENCH

pytestmark = EACH_DATABASE

START: dict[str, Any] = {"request_id": "plc4-1", "valid_ms": 5000, "part": "MH-2140", "serial": None}


class Stand:
    """Somebody who carries out commands, at a time that the test sets."""

    def __init__(self, database: AsyncStore) -> None:
        self.handled: list[tuple[str, Command]] = []
        self.seconds = 100.0
        self.now = NOW
        self.desk = Desk(database, BENCH, self.handle, now=lambda: self.now, clock=lambda: self.seconds)

    async def handle(self, name: str, command: Command) -> Reply:
        self.handled.append((name, command))
        return Reply(request_id=command.request_id, state=ReplyState.ACCEPTED, run=RUN, time=self.now)

    async def send(self, body: Any, name: str = "start", *, retained: bool = False) -> Answer:
        payload = body if isinstance(body, bytes) else json.dumps(body).encode()
        return await self.desk.take(Request(name, payload, retained, arrived=100.0))


@pytest.fixture
def stand(database: AsyncStore) -> Stand:
    return Stand(database)


async def test_a_request_is_carried_out_and_answered(stand: Stand) -> None:
    answer = await stand.send(START | {"colour": "fields not known are ignored"})
    assert answer.reply == Reply(request_id="plc4-1", state=ReplyState.ACCEPTED, run=RUN, time=NOW)
    assert answer.trouble is None
    [(name, command)] = stand.handled
    assert (name, getattr(command, "part", None)) == ("start", "MH-2140")


async def test_a_repeat_gets_the_stored_answer_even_late_and_does_nothing(stand: Stand) -> None:
    first = await stand.send(START)
    stand.seconds += 3600
    stand.now += timedelta(hours=1)
    assert await stand.send(START) == first
    assert len(stand.handled) == 1


async def test_a_repeat_after_a_kill_in_between_is_not_done_again(stand: Stand, database: AsyncStore) -> None:
    await database.ask(Store.claim, BENCH, "plc4-1", "start", NOW)  # all that the killed daemon left
    answer = await stand.send(START)
    assert answer.reply is not None
    assert (answer.reply.state, stand.handled) == (ReplyState.FAILED, [])
    assert "outcome is not known" in answer.reply.why


@pytest.mark.parametrize(
    ("body", "waited", "said"),
    [
        (START, 5.001, "valid for 5000 ms"),
        (START | {"valid_ms": None, "expires_at": "2031-05-04T07:12:09Z"}, 0, "expired at"),
        (START | {"expires_at": "2031-05-04T09:12:09.12+02:00"}, 0, "compare the clocks"),
    ],
)
async def test_what_is_late_is_refused(stand: Stand, body: dict[str, Any], waited: float, said: str) -> None:
    stand.seconds += waited
    answer = await stand.send(body)
    assert answer.reply is not None
    assert (answer.reply.state, stand.handled) == (ReplyState.REFUSED, [])
    assert said in answer.reply.why


async def test_what_is_in_time_is_done(stand: Stand) -> None:
    stand.seconds += 5.0
    ends: list[dict[str, Any]] = [{"valid_ms": 5000}, {"expires_at": "2031-05-04T07:12:09.121Z"}]
    for number, end in enumerate(ends):
        answer = await stand.send({"request_id": f"r{number}", "part": "MH-2140", **end})
        assert answer.reply is not None
        assert answer.reply.state is ReplyState.ACCEPTED


async def test_a_retained_request_is_refused(stand: Stand) -> None:
    answer = await stand.send(START, retained=True)
    assert answer.reply is not None
    assert (answer.reply.state, stand.handled) == (ReplyState.REFUSED, [])
    assert answer.trouble is not None
    assert "must not be retained" in answer.trouble


WRONG: list[tuple[str, Any, str]] = [
    ("start", START | {"valid_ms": None}, "expires_at or valid_ms"),
    ("start", START | {"valid_ms": 0}, "valid_ms"),
    ("start", START | {"valid_ms": True}, "valid_ms"),
    ("start", START | {"valid_ms": "5000"}, "valid_ms"),
    ("start", START | {"expires_at": "2031-05-04T07:12:09"}, "expires_at"),
    ("start", START | {"expires_at": 1936422729}, "expires_at"),
    ("start", START | {"part": 2140}, "part"),
    ("start", START | {"part": 'MH"2140'}, "part"),
    ("start", START | {"serial": "S" * 41}, "serial"),
    ("start", START | {"operator": "x" * 65}, "operator"),
    ("start", {k: v for k, v in START.items() if k != "part"}, "part: Field required"),
    ("confirm", START | {"run": RUN, "what": "lunch"}, "what"),
    ("confirm", START | {"run": "0197", "what": "in_fluid"}, "run"),
    ("weigh", START, "no command 'weigh'; there are start, confirm, abort, acknowledge, zero, resend"),
]


@pytest.mark.parametrize(("name", "body", "said"), WRONG)
async def test_what_is_wrong_is_refused_with_its_field(stand: Stand, name: str, body: Any, said: str) -> None:
    answer = await stand.send(body, name)
    assert answer.reply is not None
    assert (answer.reply.request_id, answer.reply.state) == ("plc4-1", ReplyState.REFUSED)
    assert said in answer.reply.why
    assert answer.trouble is not None
    assert f"cmd/{name}" in answer.trouble
    assert stand.handled == []


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"start",
        b"\xff\xfe",
        b"[" * 4096,
        b"null",
        b'{"request_id": 17}',
        b'{"request_id": "a b", "valid_ms": 1, "part": "MH-2140"}',
        json.dumps(START | {"operator": "x" * 5000}).encode(),
    ],
)
async def test_what_has_no_readable_id_gets_a_line_in_the_log(stand: Stand, payload: bytes) -> None:
    answer = await stand.send(payload)
    assert answer.reply is None
    assert answer.trouble is not None
    assert stand.handled == []


async def test_a_record_that_does_not_answer_fails_the_request(stand: Stand, monkeypatch: pytest.MonkeyPatch) -> None:
    def busy(*_: object) -> None:
        raise DatabaseBusyError("database bench.db: locked")

    monkeypatch.setattr(Store, "claim", busy)
    answer = await stand.send(START)
    assert answer.reply is not None
    assert (answer.reply.state, answer.reply.why) == (ReplyState.FAILED, "database bench.db: locked")
    assert stand.handled == []


async def test_a_request_that_the_database_kept_waiting_is_late(stand: Stand, monkeypatch: pytest.MonkeyPatch) -> None:
    claim = Store.claim

    def slow(store: Store, *args: Any) -> Claim:
        stand.seconds += 9.0  # somebody else had it locked
        return claim(store, *args)

    monkeypatch.setattr(Store, "claim", slow)
    for _ in range(2):  # a repeat hears the same
        answer = await stand.send(START)
        assert answer.reply is not None
        assert (answer.reply.state, stand.handled) == (ReplyState.REFUSED, [])
        assert "it waited here for 9000 ms" in answer.reply.why


async def test_an_answer_that_cannot_be_kept_is_given_all_the_same(
    stand: Stand, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise DiskFullError("database bench.db: the disk is full")

    monkeypatch.setattr(Store, "remember", full)
    answer = await stand.send(START)
    assert answer.reply == Reply(request_id="plc4-1", state=ReplyState.ACCEPTED, run=RUN, time=NOW)
    assert answer.trouble is not None
    assert "plc4-1 not kept" in answer.trouble
    assert "disk is full" in answer.trouble


async def test_confirm_and_abort_are_read(stand: Stand) -> None:
    await stand.send({"request_id": "c", "valid_ms": 1000, "run": RUN, "what": "in_fluid"}, "confirm")
    await stand.send({"request_id": "a", "valid_ms": 1000, "run": RUN}, "abort")
    assert [(name, getattr(c, "what", None)) for name, c in stand.handled] == [("confirm", "in_fluid"), ("abort", None)]
