"""Requests in, answers out: what a stand's connection carries besides its own messages."""

import asyncio
import time
from dataclasses import dataclass

from daq.publish.contract import text
from daq.publish.desk import ABORT, AT_ONCE, Desk, Request
from daq.publish.errors import RefusedError
from daq.publish.mqtt import Connection, Incoming
from daq.publish.notices import Code, Notices
from daq.publish.topics import Topics

_WAITING = 32
"""Requests and answers that may wait. A bench has one operator and one PLC; more than this is a flood."""


@dataclass(frozen=True, slots=True)
class _Outgoing:
    topic: str
    payload: str
    correlation: bytes | None


class Conversation:
    """Takes requests to the desk and its answers back, over whichever connection is there."""

    def __init__(self, topics: Topics, desk: Desk, notices: Notices) -> None:
        self._topics = topics
        self._desk = desk
        self._notices = notices
        self._requests: asyncio.Queue[tuple[Request, Incoming]] = asyncio.Queue(_WAITING)
        self._confirmations: asyncio.Queue[tuple[Request, Incoming]] = asyncio.Queue(_WAITING)
        self._aborts: asyncio.Queue[tuple[Request, Incoming]] = asyncio.Queue(_WAITING)
        self._answers: asyncio.Queue[_Outgoing] = asyncio.Queue(_WAITING)

    async def subscribe(self, connection: Connection) -> bool:
        """Asks for requests; whether they can come in from now on."""
        try:
            await connection.subscribe(self._topics.commands)
        except RefusedError as error:
            self._notices.trouble(Code.SUBSCRIBE_REFUSED, str(error))
            return False
        self._notices.over(Code.SUBSCRIBE_REFUSED, "requests are heard again")
        return True

    async def receive(self, connection: Connection) -> None:
        """Reads requests until the connection breaks, which it is the first to notice, for it is always waiting."""
        async for incoming in connection.messages():
            name = self._topics.command(incoming.topic)
            if name is None:
                continue
            request = Request(name, incoming.payload, incoming.retained, time.monotonic())
            try:
                self._queue_of(name).put_nowait((request, incoming))
            except asyncio.QueueFull:
                self._notices.once(Code.COMMAND, f"request on cmd/{name} dropped: {_WAITING} are waiting already")

    async def serve(self) -> None:
        """Has requests carried out, one after another, and beside them those that wait for no other. Knows no
        connection: one that breaks cuts nothing off."""
        try:
            await asyncio.gather(*map(self._serve, (self._aborts, self._confirmations, self._requests)))
        finally:
            await self._desk.close()

    def _queue_of(self, name: str) -> asyncio.Queue[tuple[Request, Incoming]]:
        """Where a request waits: an abort behind other aborts only, whatever floods the rest."""
        if name not in AT_ONCE:
            return self._requests
        return self._aborts if name == ABORT else self._confirmations

    async def _serve(self, queue: asyncio.Queue[tuple[Request, Incoming]]) -> None:
        while True:
            request, incoming = await queue.get()
            answer = await self._desk.take(request)
            if answer.trouble is not None:
                self._notices.once(Code.COMMAND, answer.trouble)
            if answer.reply is not None:
                for topic in self._answer_topics(request.name, incoming.response_topic):
                    self._put(_Outgoing(topic, text(answer.reply), incoming.correlation))

    async def answer(self, connection: Connection) -> None:
        """Sends answers until the connection breaks."""
        while True:
            out = await self._answers.get()
            try:
                await connection.send(out.topic, out.payload, correlation=out.correlation)
            except RefusedError as error:
                self._notices.once(Code.COMMAND, str(error))

    def _answer_topics(self, name: str, asked: str | None) -> list[str]:
        usual = self._topics.reply(name)
        if asked is None or asked == usual:
            return [usual]
        if self._topics.may_answer_on(asked):
            return [usual, asked]
        self._notices.once(Code.COMMAND, f"request on cmd/{name}: no answer is sent to response topic {asked!r}")
        return [usual]

    def _put(self, outgoing: _Outgoing) -> None:
        """While there is no connection old answers make room; who misses one asks again with the same request id."""
        if self._answers.full():
            self._answers.get_nowait()
        self._answers.put_nowait(outgoing)
