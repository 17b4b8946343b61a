"""One connection to a broker: the only module that knows the MQTT library.

Acknowledged sends go one by one. A connection that breaks raises BrokerError from `messages`, within moments, and
from whatever is being sent; a new one is a new object, so nothing waits in the library's memory.
"""

import asyncio
import contextlib
import ssl
from collections.abc import AsyncIterator, Awaitable, Iterator
from dataclasses import dataclass, field
from typing import Any, Self, TypeVar

import aiomqtt
from aiomqtt.exceptions import MqttConnectError
from paho.mqtt.client import Client as Wire
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from daq.publish.errors import BrokerError, BrokerRefusesError, RefusedError
from daq.publish.tls import Tls, context, no_tls

T = TypeVar("T")
JSON = "application/json"
_TAKEN_OVER = 0x8E  # OASIS MQTT Version 5.0 (2019), table of reason codes: Session taken over
_FAILURE = 0x80  # the same: codes from here on are failures
_FRAME = 9
"""Bytes of a packet besides topic, properties and payload: its head with a length of four, and two numbers of two."""
_INCOMING = 100
_LARGEST_INCOMING = 16_384


@dataclass(frozen=True, slots=True)
class Broker:
    """Where the broker is and how to get in. `version` is `5` or `3.1.1`; TLS where `ca_file` is given or `tls` set.

    A broker that is silent for 1.5 × `keepalive_s` is taken as gone; that long an unplugged cable goes unnoticed.
    """

    host: str
    port: int = 1883
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: bool = False
    ca_file: str | None = None
    cert_file: str | None = None
    key_file: str | None = None
    version: str = "5"
    keepalive_s: int = 10
    timeout_s: float = 5.0

    @property
    def where(self) -> str:
        return f"{self.host}:{self.port}"

    @property
    def encrypted(self) -> bool:
        return self.tls or self.ca_file is not None

    @property
    def speaks_5(self) -> bool:
        return self.version == "5"


@dataclass(frozen=True, slots=True)
class Will:
    """What the broker says for us, retained, when the connection breaks."""

    topic: str
    payload: str


@dataclass(frozen=True, slots=True)
class Incoming:
    """A message that came in; `response_topic` and `correlation` are None below MQTT 5."""

    topic: str
    payload: bytes
    retained: bool
    response_topic: str | None = None
    correlation: bytes | None = None


class _Client(aiomqtt.Client):
    """Keeps the reason with which the broker refused a message; the library drops it, and a refusal looks like success.

    One acknowledged send is under way at a time (see Connection), and QoS 0 never fails: the reason is that send's.
    """

    refusal: ReasonCode | None = None
    _entering = False
    largest: int | None = None
    """What the broker said is the largest packet it takes (MQTT 5, 3.2.2.3.6); None where it said nothing."""

    def _on_connect(self, *given: Any, **more: Any) -> None:
        self.largest = getattr(given[-1], "MaximumPacketSize", None)
        super()._on_connect(*given, **more)

    def _on_disconnect(self, *given: Any, **more: Any) -> None:
        if not self._connected.done():  # the library would wait for its time-out
            self._loop.call_soon_threadsafe(self._shut_out)
            return
        super()._on_disconnect(*given, **more)

    def _shut_out(self) -> None:
        if self._entering and not self._connected.done():
            self._connected.set_exception(aiomqtt.MqttError("closed by the broker, which gave no reason"))

    def _on_publish(
        self, client: Wire, userdata: Any, mid: int, reason_code: ReasonCode, properties: Properties
    ) -> None:
        if reason_code.is_failure:
            self.refusal = reason_code
        super()._on_publish(client, userdata, mid, reason_code, properties)

    def _on_socket_register_write(self, client: Wire, userdata: Any, sock: Any) -> None:
        # The library keeps the socket's number for a later turn of the loop, when it may be closed and the number
        # nobody's, or another socket's.
        self._loop.call_soon_threadsafe(self._write_when_possible, client, sock)

    def _write_when_possible(self, client: Wire, sock: Any) -> None:
        if sock.fileno() >= 0:
            self._loop.add_writer(sock.fileno(), self._write, client)

    def _write(self, client: Wire) -> None:
        try:
            client.loop_write()
        except Exception as error:  # noqa: BLE001 - whatever it is, the connection is broken
            if not self._disconnected.done():
                self._disconnected.set_exception(error)

    async def _wait_for(self, fut: Awaitable[T], timeout: float | None) -> T:  # noqa: ASYNC109
        # The library's own uses asyncio.wait_for, which in Python 3.11 swallows a cancellation that meets an answer.
        waits = asyncio.ensure_future(fut)
        try:
            await asyncio.wait({waits}, timeout=self.timeout if timeout is None else timeout)
            await asyncio.sleep(0)  # a host that stood still finds the deadline and the answer at once
            if waits.done():
                return waits.result()
        finally:
            waits.cancel()
        raise aiomqtt.MqttError(f"no answer within {self.timeout:g} s")

    async def __aenter__(self) -> Self:
        self._entering = True
        try:
            return await super().__aenter__()
        except aiomqtt.MqttError:
            self._client.disconnect()  # a broker that accepts and then says nothing would keep the socket open
            raise
        finally:
            self._entering = False

    async def __aexit__(self, *error: Any) -> None:
        # What broke the connection was told by whichever call met it; asyncio would complain that nobody asked for it.
        if self._disconnected.done() and not self._disconnected.cancelled():
            self._disconnected.exception()
        await super().__aexit__(*error)


class Connection:
    """An open connection."""

    def __init__(self, client: _Client, broker: Broker) -> None:
        self._client = client
        self._broker = broker
        self._one_by_one = asyncio.Lock()

    async def send(
        self,
        topic: str,
        payload: str,
        *,
        retain: bool = False,
        content_type: str = JSON,
        correlation: bytes | None = None,
    ) -> None:
        """Sends with QoS 1 and returns when the broker has acknowledged.

        Raises:
            RefusedError: the broker will not pass it on (MQTT 5; below that a broker cannot say so).
            BrokerError: the connection broke, so it is not known whether it arrived.
        """
        properties = self._properties(content_type, correlation)
        self._see_that_it_fits(topic, payload, properties)
        async with self._one_by_one:
            self._client.refusal = None
            with self._explained():
                await self._client.publish(topic, payload, qos=1, retain=retain, properties=properties)
            refusal = self._client.refusal
        if refusal is not None:
            raise RefusedError(
                f"broker {self._broker.where} refused a message on {topic}: {refusal} ({refusal.value:#04x}); let user "
                f"{self._broker.username or 'anonymous'} write there in the broker's access list"
            )

    def _see_that_it_fits(self, topic: str, payload: str, properties: Properties | None) -> None:
        """A broker throws out whoever sends more than it takes, again and again."""
        most = self._client.largest
        extra = b"" if properties is None else properties.pack()  # type: ignore[no-untyped-call]
        size = _FRAME + len(topic.encode()) + len(extra) + len(payload.encode())
        if most is not None and size > most:
            raise RefusedError(
                f"broker {self._broker.where} takes packets of at most {most} bytes, and the message on {topic} has "
                f"{size}; let it take more, 100000 say (mosquitto: max_packet_size)"
            )

    async def send_unacknowledged(self, topic: str, payload: str) -> None:
        """Sends with QoS 0: it arrives or it does not."""
        with self._explained():
            await self._client.publish(topic, payload, qos=0, properties=self._properties(JSON, None))

    async def subscribe(self, topic: str) -> None:
        """Asks for messages with QoS 1, told apart whether retained (MQTT 5).

        Raises:
            RefusedError: the broker grants no such subscription.
        """
        how: dict[str, Any] = {"qos": 1}
        if self._broker.speaks_5:
            how = {"options": SubscribeOptions(qos=1, retainAsPublished=True)}
        with self._explained():
            granted = await self._client.subscribe(topic, **how)
        for code in granted:
            if (code.value if isinstance(code, ReasonCode) else code) >= _FAILURE:
                raise RefusedError(f"broker {self._broker.where} refused a subscription to {topic}: {code}")

    async def messages(self) -> AsyncIterator[Incoming]:
        """What comes in, until the connection breaks."""
        with self._explained():
            async for message in self._client.messages:
                extra = message.properties
                yield Incoming(
                    str(message.topic),
                    message.payload if isinstance(message.payload, bytes) else b"",
                    bool(message.retain),
                    getattr(extra, "ResponseTopic", None),
                    getattr(extra, "CorrelationData", None),
                )

    def _properties(self, content_type: str, correlation: bytes | None) -> Properties | None:
        if not self._broker.speaks_5:
            return None
        made = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        made.ContentType = content_type
        if correlation is not None:
            made.CorrelationData = correlation
        return made

    @contextlib.contextmanager
    def _explained(self) -> Iterator[None]:
        try:
            yield
        except aiomqtt.MqttError as error:
            raise _explain(self._broker, self._client.identifier, error) from error


@contextlib.asynccontextmanager
async def connect(broker: Broker, client_id: str, will: Will | None = None) -> AsyncIterator[Connection]:
    """Connects, and disconnects cleanly (the will is dropped then) when the block ends without the connection broken.

    Raises:
        BrokerError: nobody answers there.
        BrokerRefusesError: the broker does not let us in.
    """
    tls = context(broker.where, broker.ca_file, broker.cert_file, broker.key_file) if broker.encrypted else None
    client = _client(broker, client_id, will, tls)
    try:
        await client.__aenter__()
    except (aiomqtt.MqttError, OSError, UnicodeError) as error:  # the last is a name that no host can have
        if tls is not None and tls.trouble is not None:
            raise no_tls(broker.where, tls.trouble) from error
        raise _explain(broker, client_id, error) from error
    try:
        yield Connection(client, broker)
    finally:
        with contextlib.suppress(aiomqtt.MqttError):
            await client.__aexit__(None, None, None)


def _client(broker: Broker, client_id: str, will: Will | None, tls: Tls | None) -> _Client:
    properties = None
    if broker.speaks_5:
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.MaximumPacketSize = _LARGEST_INCOMING
    return _Client(
        broker.host,
        broker.port,
        username=broker.username,
        password=broker.password,
        identifier=client_id,
        protocol=aiomqtt.ProtocolVersion.V5 if broker.speaks_5 else aiomqtt.ProtocolVersion.V311,
        # No session is kept for us: a request that came while we were away is too old to be carried out.
        clean_session=None if broker.speaks_5 else True,
        will=_will(broker, will),
        keepalive=broker.keepalive_s,
        timeout=broker.timeout_s,
        max_queued_incoming_messages=_INCOMING,
        properties=properties,
        tls_context=tls,
    )


def _will(broker: Broker, will: Will | None) -> aiomqtt.Will | None:
    if will is None:
        return None
    properties = None
    if broker.speaks_5:
        properties = Properties(PacketTypes.WILLMESSAGE)  # type: ignore[no-untyped-call]
        properties.ContentType = JSON
    return aiomqtt.Will(will.topic, will.payload, qos=1, retain=True, properties=properties)


def taken_over(broker: Broker, client_id: str) -> BrokerRefusesError:
    """Two clients of one name throw each other out for ever: MQTT 5.0, section 3.1.4. Not every broker says so."""
    return BrokerRefusesError(
        f"broker {broker.where}: the session was taken over: another client connects under the name {client_id}; see "
        "that only one daemon runs for this stand"
    )


def _explain(broker: Broker, client_id: str, error: BaseException) -> BrokerError:
    reason = error.__cause__ or error
    code = getattr(reason, "rc", None)
    number = getattr(code, "value", code)
    if isinstance(error, MqttConnectError):
        return BrokerRefusesError(
            f"broker {broker.where} does not let us in: {error}; check user name, password and "
            "MQTT version in the settings"
        )
    if number == _TAKEN_OVER:
        return taken_over(broker, client_id)
    if isinstance(error.__context__, ssl.SSLError):  # the library hides it
        return no_tls(broker.where, error.__context__)
    return BrokerError(
        f"broker {broker.where}: no connection ({reason}); check that it runs and can be reached, and that no second "
        "daemon speaks for this stand"
    )
