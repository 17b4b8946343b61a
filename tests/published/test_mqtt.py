"""What MQTT 5 says and the stand's messages rely on: through a real broker, and on the bytes that our client sends.

Source: OASIS MQTT Version 5.0 (2019); clauses seen in a translation and in an open conformance suite. Packets that the
tests write or take apart are done by hand from it.
"""

import asyncio
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest

from daq.publish.mqtt import Broker, Connection, Will, connect
from daq.publish.topics import Topics
from tests.conftest import Mosquitto
from tests.published.rows import rows

TOPIC = "steadyhead/v1/marrow-hill/bench-1/status"
CONNECT, CONNACK, PUBLISH, PUBACK, DISCONNECT = 1, 2, 3, 4, 14


def shortest(number: int) -> bytes:
    """A variable byte integer: seven bits a byte, the lowest first, the top bit on all but the last (1.5.5)."""
    first = [number >> 7 * k & 0x7F | 0x80 for k in range((max(number.bit_length(), 1) - 1) // 7)]
    return bytes([*first, number >> 7 * len(first)])


def packet(kind: int, flags: int, body: bytes) -> bytes:
    return bytes([kind << 4 | flags]) + shortest(len(body)) + body


def text(value: str) -> bytes:
    return len(value).to_bytes(2, "big") + value.encode()


class Peer:
    """A broker that lets one client in, acknowledges, and keeps what came as (first byte, length bytes, body)."""

    def __init__(self, version: str) -> None:
        self.came: list[tuple[int, bytes, bytes]] = []
        self.ended = asyncio.Event()
        self._welcome = bytes.fromhex("20 03 00 00 00" if version == "5" else "20 02 00 00")

    def of(self, kind: int) -> list[tuple[int, bytes, bytes]]:
        return [p for p in self.came if p[0] >> 4 == kind]

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while True:
                first, length = (await reader.readexactly(1))[0], b""
                while not length or length[-1] & 0x80:
                    length += await reader.readexactly(1)
                size = sum((byte & 0x7F) << 7 * k for k, byte in enumerate(length))
                body = await reader.readexactly(size)
                self.came.append((first, length, body))
                if first >> 4 == CONNECT:
                    writer.write(self._welcome)
                elif first >> 4 == PUBLISH and first & 0x06:
                    at = 2 + int.from_bytes(body[:2], "big")
                    writer.write(packet(PUBACK, 0, body[at : at + 2]))
        except asyncio.IncompleteReadError:  # the client has gone
            pass
        finally:
            writer.close()
            await writer.wait_closed()
            self.ended.set()


@asynccontextmanager
async def with_peer(version: str = "5") -> AsyncIterator[tuple[Peer, Connection]]:
    peer = Peer(version)
    server = await asyncio.start_server(peer.serve, "127.0.0.1", 0)
    async with server:
        port = server.sockets[0].getsockname()[1]
        async with connect(Broker("127.0.0.1", port, version=version), "bench-1", Will(TOPIC, "lost")) as connection:
            yield peer, connection
        await peer.ended.wait()


@rows("V11.24", "V11.25", "V11.33")
@pytest.mark.parametrize(("version", "level"), [("5", 5), ("3.1.1", 4)])
async def test_how_we_connect(version: str, level: int) -> None:
    """[MQTT-3.1.2-1], [MQTT-3.1.2-2]: protocol name "MQTT", version 5 (4 is 3.1.1, from memory).

    The keep alive is the configured one; what a broker makes of it ([MQTT-3.1.2-22]: gone after 1.5 times that long) is
    not timed here. Session Expiry Interval (0x11) is absent, so nothing is kept for us (3.1.2.11.2): the only property
    is Maximum Packet Size (0x27).
    """
    async with with_peer(version) as (peer, _):
        [(_, _, body)] = peer.of(CONNECT)
    assert body[:7] == text("MQTT") + bytes([level])
    assert body[7] & 0x02  # a clean start
    assert int.from_bytes(body[8:10], "big") == Broker("somewhere").keepalive_s
    if level == 5:
        assert (body[10], body[11]) == (5, 0x27)


@rows("V11.32")
async def test_the_will_that_we_leave() -> None:
    """[MQTT-3.1.2-14], [MQTT-3.1.2-15]: Will Flag 0x04, Will QoS 1 0x08, Will Retain 0x20: it stays."""
    async with with_peer() as (peer, _):
        [(_, _, body)] = peer.of(CONNECT)
    assert body[7] & 0x3C == 0x04 | 0x08 | 0x20


@rows("V11.34")
async def test_packet_identifiers() -> None:
    """[MQTT-2.2.1-2], [MQTT-2.2.1-3]: none with QoS 0, one that is not 0 with QoS 1. Behind them follow the properties:
    here only Content Type (0x03), 19 bytes."""
    async with with_peer() as (peer, connection):
        await connection.send_unacknowledged(TOPIC, "a")
        await connection.send(TOPIC, "b")
        unacknowledged, acknowledged = (body.removeprefix(text(TOPIC)) for _, _, body in peer.of(PUBLISH))
    assert unacknowledged == b"\x13\x03" + text("application/json") + b"a"
    assert acknowledged[:2] != b"\0\0"
    assert acknowledged[2:] == b"\x13\x03" + text("application/json") + b"b"


@rows("V11.35")
async def test_lengths_of_packets() -> None:
    """1.5.5, Table 1-1 and [MQTT-1.5.5-1]: 0, 127, 128, 16 383, 16 384 as 00, 7F, 80 01, FF 7F, 80 80 01; what our
    packets say of their length is so written."""
    table = {0: "00", 127: "7f", 128: "80 01", 16_383: "ff 7f", 16_384: "80 80 01"}
    assert {number: shortest(number) for number in table} == {n: bytes.fromhex(code) for n, code in table.items()}
    before = len(text(TOPIC)) + 20
    async with with_peer() as (peer, connection):
        for size in (127, 128, 16_383, 16_384):
            await connection.send_unacknowledged(TOPIC, "x" * (size - before))
        await connection.send(TOPIC, "end")
        lengths = [length.hex(" ") for _, length, _ in peer.of(PUBLISH)]
    assert lengths[:4] == ["7f", "80 01", "ff 7f", "80 80 01"]


def raw(mosquitto: Mosquitto, *, will: str = "", retain: bool = True, name: str = "raw") -> socket.socket:
    """A connection made by hand; a will has QoS 0."""
    flags = 0x02 | (0x04 if will else 0) | (0x20 if will and retain else 0)
    body = text("MQTT") + bytes([5, flags]) + b"\0\0\0" + text(name)
    if will:
        body += b"\0" + text(TOPIC) + text(will)
    made = socket.create_connection((mosquitto.host, mosquitto.port), timeout=8)
    made.sendall(packet(CONNECT, 0, body))
    assert made.recv(100)[0] >> 4 == CONNACK
    return made


@asynccontextmanager
async def reading(mosquitto: Mosquitto) -> AsyncIterator[asyncio.Queue[tuple[str, bytes, bool]]]:
    """What arrives on all topics below steadyhead, with whether it was kept by the broker."""
    came: asyncio.Queue[tuple[str, bytes, bool]] = asyncio.Queue()
    async with connect(Broker(mosquitto.host, mosquitto.port), "reader") as connection:

        async def read() -> None:
            async for message in connection.messages():
                await came.put((message.topic, message.payload, message.retained))

        task = asyncio.create_task(read())
        await connection.subscribe("steadyhead/#")
        yield came
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


async def told(mosquitto: Mosquitto, came: "asyncio.Queue[tuple[str, bytes, bool]]") -> list[bytes]:
    """What came before a mark that is sent now."""
    async with connect(Broker(mosquitto.host, mosquitto.port), "marker") as connection:
        await connection.send("steadyhead/mark", "mark")
    payloads = []
    async with asyncio.timeout(60):
        while (message := await came.get())[0] != "steadyhead/mark":
            payloads.append(message[1])
    return payloads


@rows("V11.27", "V11.28")
async def test_what_is_retained(mosquitto: Mosquitto) -> None:
    """[MQTT-3.3.1-5]: a retained message replaces the stored one of its topic. [MQTT-3.3.1-6], [MQTT-3.3.1-7]: with an
    empty payload it removes it and is not stored."""
    async with connect(Broker(mosquitto.host, mosquitto.port), "bench-1") as connection:
        for payload, expected in (("first", [b"first"]), ("second", [b"second"]), ("", [])):
            await connection.send(TOPIC, payload, retain=True)
            async with reading(mosquitto) as came:
                assert await told(mosquitto, came) == expected


@rows("V11.30")
async def test_a_goodbye_in_order_drops_the_will(mosquitto: Mosquitto) -> None:
    """[MQTT-3.1.2-10], [MQTT-3.14.4-3]: a DISCONNECT with reason 0x00; ours has it when the block ends."""
    async with reading(mosquitto) as came:
        async with connect(Broker(mosquitto.host, mosquitto.port), "bench-1", Will(TOPIC, "lost")):
            pass
        assert await told(mosquitto, came) == []


@rows("V11.31", "V11.32")
async def test_a_broken_connection_leaves_the_will(mosquitto: Mosquitto) -> None:
    """[MQTT-3.1.2-8]: published at once where no Will Delay was asked for; [MQTT-3.1.2-15]: and kept."""
    broker, will = Broker(mosquitto.host, mosquitto.port), Will(TOPIC, "lost")
    async with reading(mosquitto) as came, connect(broker, "bench-1", will):
        raw(mosquitto, name="bench-1").close()  # takes the connection over, which breaks ours
        async with asyncio.timeout(60):
            assert (await came.get())[:2] == (TOPIC, b"lost")
    async with reading(mosquitto) as later:
        assert await told(mosquitto, later) == [b"lost"]


@rows("V11.31", "V11.32")
@pytest.mark.parametrize("retain", [True, False])
async def test_a_disconnect_with_another_reason_leaves_the_will(mosquitto: Mosquitto, retain: bool) -> None:
    """[MQTT-3.1.2-8], [MQTT-3.14.4-3]: reason 0x04, Disconnect with Will Message; [MQTT-3.1.2-14]: not kept without the
    flag."""
    async with reading(mosquitto) as came:
        with raw(mosquitto, will="lost", retain=retain) as connection:
            connection.sendall(packet(DISCONNECT, 0, b"\x04"))
            async with asyncio.timeout(60):
                assert (await came.get())[:2] == (TOPIC, b"lost")
    async with reading(mosquitto) as later:
        assert await told(mosquitto, later) == ([b"lost"] if retain else [])


@rows("V11.26")
async def test_both_bits_of_the_quality_are_malformed(mosquitto: Mosquitto) -> None:
    """[MQTT-3.3.1-4]: QoS 3 is malformed; the broker ends the connection and passes nothing on."""
    await _refused(mosquitto, packet(PUBLISH, 0x06, text(TOPIC) + b"\0\1\0three"))


@rows("V11.1", "V11.3")
def test_no_stand_is_taken_for_an_edge_node_of_another_specification() -> None:
    """Sparkplug 3.0.0, tck-id-topic-structure-namespace-a and -valid-group-id, -valid-edge-node-id: what lies below
    `spBv1.0/` is that specification's, and its ids hold none of + / #. No stand can be set up to write there, and no
    name that a stand may have would be refused there."""
    with pytest.raises(ValueError, match=r"topic root 'spBv1\.0': expected only a to z"):
        Topics("spBv1.0", "marrow-hill", "bench-1")
    ours = Topics("steadyhead", "marrow-hill", "bench-1")
    assert not ours.of("status").startswith("spBv1.0/")
    for wrong in "+/#":
        for names in ((f"marrow{wrong}hill", "bench-1"), ("marrow-hill", f"bench{wrong}1")):
            with pytest.raises(ValueError, match="expected only a to z"):
                Topics("steadyhead", *names)


@rows("V11.29")
@pytest.mark.parametrize("topic", ["steadyhead/+/status", "steadyhead/#"])
async def test_no_wildcards_in_the_name_of_a_topic(mosquitto: Mosquitto, topic: str) -> None:
    """[MQTT-3.3.2-2]: the broker passes nothing on; no name of a stand has any, and no answer is sent to such a
    topic."""
    await _refused(mosquitto, packet(PUBLISH, 0, text(topic) + b"\0wild"))
    assert not Topics("steadyhead", "marrow-hill", "bench-1").may_answer_on(topic)
    with pytest.raises(ValueError, match="expected only a to z"):
        Topics("steadyhead", "marrow-hill", topic)


async def _refused(mosquitto: Mosquitto, published: bytes) -> None:
    async with reading(mosquitto) as came:
        with raw(mosquitto) as connection:
            connection.sendall(published)
            said = await asyncio.to_thread(_until_closed, connection)
        assert said == b"" or said[0] >> 4 == DISCONNECT
        assert await told(mosquitto, came) == []


def _until_closed(connection: socket.socket) -> bytes:
    said = b""
    try:
        while more := connection.recv(100):
            said += more
    except ConnectionResetError:
        pass
    return said
