"""Where requests from outside are taken up: read, checked, carried out once, answered."""

import asyncio
import hashlib
import json
import time
from collections import OrderedDict
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from datetime import UTC, datetime

from pydantic import ValidationError
from pydantic_core import from_json

from daq.publish.contract import COMMANDS, Command, Reply, ReplyState, plain
from daq.publish.contract.commands import MAX_BYTES
from daq.record.async_store import AsyncStore
from daq.record.errors import RecordError
from daq.record.store import Store

Handle = Callable[[str, Command], Awaitable[Reply]]
"""Carries out a command by its name. Quickly: a start is answered when it is accepted, not when it is done."""

ABORT = "abort"
AT_ONCE = frozenset({ABORT, "confirm"})
"""Commands that act on a run under way; they wait for no other request and for no database."""
REMEMBERED = 256
"""So many of their answers are kept in memory, and so many wait for the database at most."""
KEEP_AGAIN_S = 10.0
"""After so long an answer that the database did not take is tried again, in seconds."""
_LONGEST_WHY = 200
_LONGEST_ID = 64


@dataclass(frozen=True, slots=True)
class Request:
    """A request as it came: `name` from its topic, `arrived` by the monotonic clock in seconds."""

    name: str
    payload: bytes
    retained: bool
    arrived: float


@dataclass(frozen=True, slots=True)
class Answer:
    """The reply, None where the request has no readable id; `trouble` is for the log, None if all is well."""

    reply: Reply | None
    trouble: str | None = None


def _utc_now() -> datetime:
    return datetime.now(UTC)


class Desk:
    """Takes up the requests to one stand (its key). A request id that was taken up before gets the stored answer.

    What acts on a run under way is done first and kept after (AT_ONCE): it needs no database, and memory is enough to
    do it once, since no run outlives this process. `keeping` are the tasks that put it into the record.
    """

    def __init__(
        self,
        store: AsyncStore,
        stand: str,
        handle: Handle,
        *,
        now: Callable[[], datetime] = _utc_now,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._store = store
        self._stand = stand
        self._handle = handle
        self._now = now
        self._clock = clock
        self._done: OrderedDict[str, tuple[str, Reply]] = OrderedDict()
        self.keeping: set[asyncio.Task[None]] = set()

    async def take(self, request: Request) -> Answer:
        """Answers a request; nothing that is wrong with it raises."""
        if request.retained:
            why = "a request must not be retained: it would be read again at every connect"
            return self._refuse(request, why, "retained")
        try:
            command = _read(request)
        except ValueError as error:
            reason = "not_readable" if request.name in COMMANDS else "unknown_command"
            return self._refuse(request, _worded(error), reason)
        digest = digest_of(request.name, command)
        if request.name in AT_ONCE:
            return await self._at_once(request, command, digest)
        try:
            return await self._once(request, command, digest)
        except RecordError as error:
            return Answer(self._reply(command.request_id, ReplyState.FAILED, str(error), "record"), str(error))

    async def _at_once(self, request: Request, command: Command, digest: str) -> Answer:
        """An abort is neither late nor a repeat of something else: it names its run, and must always work."""
        before = self._done.get(command.request_id)
        if before is not None and before[0] == digest:
            return Answer(before[1])
        if request.name != ABORT:
            if before is not None:
                return Answer(self._reused(request, command))
            if late := self._late(request, command):
                return Answer(self._reply(command.request_id, ReplyState.REFUSED, late, "late"))
        reply = await self._handle(request.name, command)
        if request.name == ABORT and reply.state is ReplyState.REFUSED:
            return Answer(reply)  # it may be able to act when it comes again
        self._done[command.request_id] = digest, reply
        while len(self._done) > REMEMBERED:
            self._done.popitem(last=False)
        if len(self.keeping) < REMEMBERED:
            keeping = asyncio.create_task(self._keep(request.name, digest, reply), name="keep an answer")
            self.keeping.add(keeping)
            keeping.add_done_callback(self.keeping.discard)
        return Answer(reply)

    async def _keep(self, name: str, digest: str, reply: Reply) -> None:
        """Puts what was done at once into the record, as soon as that can be."""
        while True:
            try:
                known = await self._store.ask(Store.claim, self._stand, reply.request_id, name, digest, self._now())
                if known.new:
                    await self._store.ask(Store.remember, self._stand, reply.request_id, plain(reply))
                return
            except RecordError:
                await asyncio.sleep(KEEP_AGAIN_S)

    async def close(self) -> None:
        """Gives up what could not be put into the record yet."""
        for keeping in (kept := list(self.keeping)):
            keeping.cancel()
        await asyncio.gather(*kept, return_exceptions=True)

    async def _once(self, request: Request, command: Command, digest: str) -> Answer:
        if command.request_id in self._done:
            return Answer(self._reused(request, command))
        known = await self._store.ask(Store.answer, self._stand, command.request_id, digest)
        if known.new and (late := self._late(request, command)):
            return Answer(self._reply(command.request_id, ReplyState.REFUSED, late, "late"))
        if known.new:
            known = await self._store.ask(
                Store.claim, self._stand, command.request_id, request.name, digest, self._now()
            )
        if not known.same:
            return Answer(self._reused(request, command))
        if not known.new:
            return Answer(self._repeated(command.request_id, known.reply))
        # Once more: a database that somebody locks may have kept the claim waiting.
        late = self._late(request, command)
        refusal = self._reply(command.request_id, ReplyState.REFUSED, late, "late") if late else None
        reply = refusal or await self._handle(request.name, command)
        return Answer(reply, await self._remember(command.request_id, reply))

    async def _remember(self, request_id: str, reply: Reply) -> str | None:
        """Stores an answer. What was done stays done where that fails, so the answer goes out all the same."""
        try:
            await self._store.ask(Store.remember, self._stand, request_id, plain(reply))
        except RecordError as error:
            return f"answer to request {request_id} not kept, a repeat will not get it: {error}"
        return None

    def _reused(self, request: Request, command: Command) -> Reply:
        why = (
            f"request_id {command.request_id} was used before: expected the same command and fields, found another "
            f"{request.name}; nothing was done, send it with a request_id of its own"
        )
        return self._reply(command.request_id, ReplyState.REFUSED, why, "request_id_reused")

    def _repeated(self, request_id: str, stored: dict[str, object] | None) -> Reply:
        if stored is not None:
            return Reply.model_validate(stored)
        why = "taken up before, but its outcome is not known: look at stage and verdict"
        return self._reply(request_id, ReplyState.FAILED, why, "outcome_unknown")

    def _late(self, request: Request, command: Command) -> str | None:
        if command.expires_at is not None and command.expires_at <= (now := self._now()):
            return f"expired at {command.expires_at.isoformat()}; it is {now.isoformat()} here: compare the clocks"
        waited_ms = (self._clock() - request.arrived) * 1000
        if command.valid_ms is not None and waited_ms > command.valid_ms:
            return f"valid for {command.valid_ms} ms, but it waited here for {waited_ms:.0f} ms"
        return None

    def _refuse(self, request: Request, why: str, reason: str) -> Answer:
        trouble = f"request on cmd/{request.name} refused: {why}"
        request_id = _request_id(request.payload)
        reply = None if request_id is None else self._reply(request_id, ReplyState.REFUSED, why, reason)
        return Answer(reply, trouble)

    def _reply(self, request_id: str, state: ReplyState, why: str, reason: str) -> Reply:
        return Reply(request_id=request_id, state=state, why=why[:_LONGEST_WHY], time=self._now(), reasons=(reason,))


def digest_of(name: str, command: Command) -> str:
    """What a request asks for, as SHA-256 over its name and fields; how long it is valid is no part of that."""
    asked = command.model_dump(mode="json", exclude={"request_id", "expires_at", "valid_ms"})
    return hashlib.sha256(json.dumps([name, asked], sort_keys=True).encode()).hexdigest()


def _read(request: Request) -> Command:
    """The command in a request.

    Raises:
        ValueError: it is none, with words for its sender.
    """
    if request.name not in COMMANDS:
        raise ValueError(f"no command {request.name[:40]!r}; there are {', '.join(COMMANDS)}")
    if len(request.payload) > MAX_BYTES:
        raise ValueError(f"{len(request.payload)} bytes; expected at most {MAX_BYTES}")
    return COMMANDS[request.name].model_validate_json(request.payload)


def _worded(error: ValueError) -> str:
    if not isinstance(error, ValidationError):
        return str(error)
    first = error.errors(include_url=False, include_input=False, include_context=False)[0]
    place = ".".join(str(step) for step in first["loc"])
    return f"{place}: {first['msg']}" if place else str(first["msg"])


def _request_id(payload: bytes) -> str | None:
    """The id of a request that may be wrong in all else."""
    try:
        found = from_json(payload[: MAX_BYTES + 1]) if len(payload) <= MAX_BYTES else None
    except ValueError:
        return None
    named = found.get("request_id") if isinstance(found, dict) else None
    fits = isinstance(named, str) and 0 < len(named) <= _LONGEST_ID and all("!" <= c <= "~" for c in named)
    return named if fits else None
