"""A subscriber of the tests' own, and a way to send requests; speaks to the broker, never to the publisher."""

import asyncio
import json
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from tests.daq.publish.conftest import TOPICS

Fits = Callable[[aiomqtt.Message], bool]


class Listener:
    """Keeps all that came; `next` takes what comes after what it gave before."""

    def __init__(self, client: aiomqtt.Client) -> None:
        self._client = client
        self._came: list[aiomqtt.Message] = []

    async def next(self, below: str, fits: Fits = lambda _: True) -> aiomqtt.Message:
        """The next message on a topic of the stand that fits; others are left for later calls."""
        topic = below if "/" in below and below.startswith("plc") else TOPICS.of(below)
        for k, message in enumerate(self._came):
            if str(message.topic) == topic and fits(message):
                return self._came.pop(k)
        async with asyncio.timeout(60):
            async for message in self._client.messages:
                if str(message.topic) == topic and fits(message):
                    return message
                self._came.append(message)
        raise AssertionError("the broker went away")

    @property
    def kept(self) -> tuple[aiomqtt.Message, ...]:
        """What came and was asked for by no `next` yet, in order."""
        return tuple(self._came)

    def passed_over(self, below: str) -> list[aiomqtt.Message]:
        """What came on a topic of the stand while `next` waited for something else."""
        kept, self._came = self._came, [m for m in self._came if str(m.topic) != TOPICS.of(below)]
        return [m for m in kept if str(m.topic) == TOPICS.of(below)]

    async def send(
        self,
        below: str,
        body: Any,
        *,
        retain: bool = False,
        response: str | None = None,
        correlation: bytes | None = None,
    ) -> None:
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        if response is not None:
            properties.ResponseTopic = response
        if correlation is not None:
            properties.CorrelationData = correlation
        payload = body if isinstance(body, bytes) else json.dumps(body).encode()
        await self._client.publish(TOPICS.of(below), payload, qos=1, retain=retain, properties=properties)


def read(message: aiomqtt.Message) -> dict[str, Any]:
    assert isinstance(message.payload, bytes)
    made: dict[str, Any] = json.loads(message.payload)
    return made


def says(**fields: Any) -> Fits:
    """Whether a message's JSON has these fields."""

    def fits(message: aiomqtt.Message) -> bool:
        body = read(message)
        return all(body.get(key) == value for key, value in fields.items())

    return fits


@asynccontextmanager
async def listening(port: int, name: str | None = None, **options: Any) -> AsyncIterator[Listener]:
    """Subscribed to everything. With a name the broker keeps what comes while this one is away."""
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = 3600 if name else 0
    client = aiomqtt.Client(
        "127.0.0.1",
        port,
        identifier=name,
        protocol=aiomqtt.ProtocolVersion.V5,
        properties=properties,
        clean_start=not name,
        **options,
    )
    async with client:
        await client.subscribe("#", options=SubscribeOptions(qos=1, retainAsPublished=True))
        yield Listener(client)
