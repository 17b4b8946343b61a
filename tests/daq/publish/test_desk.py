"""A request is carried out once, in time, or not at all; and its sender learns which."""

import asyncio
import json
from collections.abc import AsyncIterator
from datetime import timedelta
from typing import Any

import pytest
import pytest_asyncio
from sqlalchemy import update

from daq.publish import desk
from daq.publish.contract import Command, Reply, ReplyState, Start
from daq.publish.desk import Answer, Desk, Request, digest_of
from daq.record.async_store import AsyncStore
from daq.record.errors import DatabaseBusyError, DiskFullError
from daq.record.models import Command as CommandRow
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
        self.state = ReplyState.ACCEPTED
        self.now = NOW
        self.desk = Desk(database, BENCH, self.handle, now=lambda: self.now, clock=lambda: self.seconds)

    async def handle(self, name: str, command: Command) -> Reply:
        self.handled.append((name, command))
        return Reply(request_id=command.request_id, state=self.state, run=RUN, time=self.now)

    async def send(self, body: Any, name: str = "start", *, retained: bool = False) -> Answer:
        payload = body if isinstance(body, bytes) else json.dumps(body).encode()
        return await self.desk.take(Request(name, payload, retained, arrived=100.0))


@pytest_asyncio.fixture
async def stand(database: AsyncStore) -> AsyncIterator[Stand]:
    made = Stand(database)
    yield made
    await made.desk.close()


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
    digest = digest_of("start", Start.model_validate(START))
    await database.ask(Store.claim, BENCH, "plc4-1", "start", digest, NOW)  # all that the killed daemon left
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


ANOTHER: list[tuple[str, dict[str, Any]]] = [
    ("start", START | {"part": "MH-2101"}),
    ("start", START | {"serial": "K00318"}),
    ("start", START | {"order": "WO-552"}),
    ("start", START | {"operator": "Ines"}),
    ("zero", {"request_id": "plc4-1", "valid_ms": 5000}),
    ("resend", {"request_id": "plc4-1", "valid_ms": 5000, "from_seq": 3}),
    ("acknowledge", {"request_id": "plc4-1", "valid_ms": 5000, "seq": 3}),
]


@pytest.mark.parametrize(("name", "body"), ANOTHER)
async def test_an_id_that_comes_again_with_another_content_is_refused(
    stand: Stand, name: str, body: dict[str, Any]
) -> None:
    first = await stand.send(START)
    answer = await stand.send(body, name)
    assert answer.reply is not None
    assert (answer.reply.state, answer.reply.reasons) == (ReplyState.REFUSED, ("request_id_reused",))
    assert answer.reply.run is None
    assert len(stand.handled) == 1
    assert await stand.send(START) == first  # and the first content still has its answer


@pytest.mark.parametrize(
    "body",
    [
        START | {"valid_ms": 9000},
        START | {"expires_at": "2031-05-04T09:00:00Z"},
        START | {"colour": "fields not known are ignored"},
        dict(reversed(START.items())),
    ],
)
async def test_until_when_it_holds_and_the_order_of_fields_are_no_content(stand: Stand, body: dict[str, Any]) -> None:
    assert await stand.send(START) == await stand.send(body)
    assert len(stand.handled) == 1


async def test_a_request_from_before_there_were_digests_counts_as_the_same(stand: Stand, database: AsyncStore) -> None:
    await stand.send(START)

    def forget(store: Store) -> None:
        with store._write() as session:
            session.execute(update(CommandRow).values(digest=None))

    await database.ask(forget)
    answer = await stand.send(START | {"serial": "K00318"})
    assert answer.reply is not None
    assert answer.reply.state is ReplyState.ACCEPTED


CONFIRM: dict[str, Any] = {"request_id": "c1", "valid_ms": 1000, "run": RUN, "what": "in_fluid"}
ABORT: dict[str, Any] = {"request_id": "a1", "valid_ms": 1000, "run": RUN}
AT_ONCE: dict[str, dict[str, Any]] = {"confirm": CONFIRM, "abort": ABORT}


@pytest.mark.parametrize("name", AT_ONCE)
async def test_what_acts_on_a_run_needs_no_database(
    stand: Stand, database: AsyncStore, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    def locked(*_: object) -> None:
        raise DatabaseBusyError("database bench.db: locked")

    body, monkeypatched = AT_ONCE[name], ("claim", "answer", "remember")
    monkeypatch.setattr(desk, "KEEP_AGAIN_S", 0.0)
    with monkeypatch.context() as away:
        for method in monkeypatched:
            away.setattr(Store, method, locked)
        first = await stand.send(body, name)
        assert first.reply is not None
        assert first.reply.state is ReplyState.ACCEPTED
        assert await stand.send(body, name) == first
        assert len(stand.handled) == 1
    digest = digest_of(name, stand.handled[0][1])
    await asyncio.gather(*stand.desk.keeping)
    known = await database.ask(Store.answer, BENCH, str(body["request_id"]), digest)
    assert known.reply is not None
    assert Reply.model_validate(known.reply) == first.reply
    assert known.same


async def test_an_abort_acts_late_and_with_a_used_id(stand: Stand) -> None:
    await stand.send(CONFIRM, "confirm")
    stand.seconds += 3600.0
    again = ABORT | {"request_id": "c1", "expires_at": "2031-05-04T00:00:00Z"}
    answer = await stand.send(again, "abort")
    assert answer.reply is not None
    assert answer.reply.state is ReplyState.ACCEPTED
    assert [name for name, _ in stand.handled] == ["confirm", "abort"]


@pytest.mark.parametrize("name", AT_ONCE)
async def test_an_id_used_by_a_confirmation_or_an_abort_starts_nothing(
    stand: Stand, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """Not even before the database knows of it."""
    body = AT_ONCE[name]
    await stand.send(body, name)
    answer = await stand.send(START | {"request_id": body["request_id"]})
    assert answer.reply is not None
    assert (answer.reply.state, answer.reply.reasons) == (ReplyState.REFUSED, ("request_id_reused",))
    assert [handled for handled, _ in stand.handled] == [name]


async def test_an_abort_that_was_refused_is_tried_again(stand: Stand) -> None:
    stand.state = ReplyState.REFUSED
    for state in (ReplyState.REFUSED, ReplyState.ACCEPTED):
        stand.state = state
        answer = await stand.send(ABORT, "abort")
        assert answer.reply is not None
        assert answer.reply.state is state
    assert len(stand.handled) == 2


@pytest.mark.parametrize(
    ("body", "waited", "reason"),
    [(CONFIRM | {"what": "filled"}, 0.0, "request_id_reused"), (CONFIRM | {"request_id": "c2"}, 1.001, "late")],
)
async def test_a_confirmation_is_refused_late_or_with_a_used_id(
    stand: Stand, body: dict[str, Any], waited: float, reason: str
) -> None:
    await stand.send(CONFIRM, "confirm")
    stand.seconds += waited
    answer = await stand.send(body, "confirm")
    assert answer.reply is not None
    assert (answer.reply.state, answer.reply.reasons) == (ReplyState.REFUSED, (reason,))
    assert len(stand.handled) == 1


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
