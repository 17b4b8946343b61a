"""The web server for probes, asked by Python's own client, and by some that ask for nonsense."""

import asyncio
import http.client
from collections.abc import AsyncIterator

import pytest

from daq.watch.probe import MOST_BYTES, PLAIN, Probe


@pytest.fixture
async def port() -> AsyncIterator[int]:
    probe = Probe({"/live": lambda: (200, PLAIN, b"live\n"), "/ready": lambda: (503, PLAIN, b"not at work\n")})
    yield await probe.start(0)
    await probe.close()


def asked(port: int, method: str, path: str) -> tuple[int, bytes]:
    client = http.client.HTTPConnection("127.0.0.1", port, timeout=5)
    try:
        client.request(method, path)
        answer = client.getresponse()
        return answer.status, answer.read()
    finally:
        client.close()


@pytest.mark.parametrize(
    ("method", "path", "status", "body"),
    [
        ("GET", "/live", 200, b"live\n"),
        ("GET", "/live?verbose", 200, b"live\n"),
        ("HEAD", "/live", 200, b""),
        ("GET", "/ready", 503, b"not at work\n"),
        ("GET", "/", 404, b"expected one of /live, /ready\n"),
        ("POST", "/live", 405, b"expected GET\n"),
    ],
)
async def test_it_answers(port: int, method: str, path: str, status: int, body: bytes) -> None:
    assert await asyncio.to_thread(asked, port, method, path) == (status, body)


@pytest.mark.parametrize("sent", [b"\r\n\r\n", b"GET /live\r\n\r\n", b"\xff\xfe\r\n\r\n", b"x" * (2 * MOST_BYTES)])
async def test_nonsense_gets_an_answer_and_does_no_harm(port: int, sent: bytes) -> None:
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    writer.write(sent)
    assert (await reader.readline()).startswith(b"HTTP/1.1 400 ")
    writer.close()
    assert (await asyncio.to_thread(asked, port, "GET", "/live"))[0] == 200


async def test_nobody_but_this_computer_reaches_it(port: int) -> None:
    """It is bound to the loopback address: another of this machine's, 127.0.0.2, finds nothing there."""
    with pytest.raises(OSError, match=r"refused|Connect call failed"):
        await asyncio.open_connection("127.0.0.2", port)
