"""The demonstration's other side of the broker: it starts runs and waits for their verdicts as a line would."""

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any, Protocol
from uuid import uuid4

from daq.catalogue.stand_file import StandConfig
from daq.cli import broker as demo
from daq.publish.mqtt import Broker, Connection, connect
from daq.publish.topics import Topics
from daq.stand.errors import StandError

ANSWER_S = 10.0
VALID_MS = 5000


class Hands(Protocol):
    """Whoever moves the simulated stand: hears what its stage asks, and says what has been done."""

    def hear_stage(self, payload: str) -> None: ...

    async def confirmed(self) -> str:
        """The next word that the person at the bench confirms."""
        ...


class Client:
    """Asks over MQTT, one run at a time."""

    def __init__(self, connection: Connection, topics: Topics, hands: Hands) -> None:
        self.topics = topics
        self._connection, self._hands = connection, hands
        self._replies: dict[str, asyncio.Future[dict[str, Any]]] = {}
        self._ready = asyncio.Event()
        self._verdicts: dict[str, str] = {}
        self._verdict = asyncio.Event()
        self._run: str | None = None

    async def test(self, part: str, serial: str) -> str:
        """Starts a run as soon as the stand is ready, and gives its verdict's payload.

        Raises:
            StandError: the start was refused, or nobody answered.
        """
        await self._ready.wait()
        reply = await self._ask("start", {"part": part, "serial": serial, "operator": "demonstration"})
        run = reply.get("run")
        if reply["state"] != "accepted" or run is None:
            raise StandError(f"demonstration: start of {part} {serial} was {reply['state']}: {reply['why']}")
        self._run = run
        while run not in self._verdicts:
            self._verdict.clear()
            await self._verdict.wait()
        self._run = None
        return self._verdicts.pop(run)

    async def listen(self) -> None:
        """Takes what comes from the broker."""
        async for message in self._connection.messages():
            name = message.topic.removeprefix(f"{self.topics.base}/")
            payload = message.payload.decode()
            if name == "stage":
                self._hands.hear_stage(payload)
                (self._ready.set if json.loads(payload)["ready"] else self._ready.clear)()
            elif name == "verdict":
                self._verdicts[json.loads(payload)["run"]] = payload
                self._verdict.set()
            elif name.startswith("cmd/"):
                self._replied(json.loads(payload))

    async def relay_confirmations(self) -> None:
        """Sends on what the person at the bench confirms."""
        while True:
            what = await self._hands.confirmed()
            if self._run is not None:
                await self._ask("confirm", {"run": self._run, "what": what})

    async def _ask(self, command: str, fields: dict[str, Any]) -> dict[str, Any]:
        request = uuid4().hex
        answered = self._replies[request] = asyncio.get_running_loop().create_future()
        body = {"request_id": request, "valid_ms": VALID_MS, **fields}
        await self._connection.send(self.topics.of(f"cmd/{command}"), json.dumps(body))
        try:
            async with asyncio.timeout(ANSWER_S):
                answer: dict[str, Any] = await answered
                return answer
        except TimeoutError:
            raise StandError(
                f"demonstration: the daemon did not answer cmd/{command} within {ANSWER_S:.0f} s"
            ) from None
        finally:
            del self._replies[request]

    def _replied(self, reply: dict[str, Any]) -> None:
        waiting = self._replies.get(reply["request_id"])
        if waiting is not None and not waiting.done():
            waiting.set_result(reply)


@asynccontextmanager
async def client(stand: StandConfig, broker: demo.Broker, hands: Hands) -> AsyncIterator[Client]:
    """A client that listens, for the length of the block."""
    topics = Topics(stand.root, stand.stand.site, stand.stand.name)
    where = Broker(host=broker.host, port=broker.port, version=broker.version)
    async with connect(where, f"demonstration-{uuid4().hex[:8]}") as connection, asyncio.TaskGroup() as tasks:
        made = Client(connection, topics, hands)
        jobs = [tasks.create_task(job()) for job in (made.listen, made.relay_confirmations)]
        for name in ("stage", "verdict", "cmd/start/reply", "cmd/confirm/reply"):
            await connection.subscribe(topics.of(name))
        try:
            yield made
        finally:
            for job in jobs:
                job.cancel()
