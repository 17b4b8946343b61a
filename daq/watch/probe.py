"""The little web server on loopback: /live and /ready for probes, /metrics for a collector. It changes nothing and asks
for no password, so it listens to nobody but this computer."""

import asyncio
from collections.abc import Callable
from contextlib import suppress

HOST = "127.0.0.1"
PATIENCE_S = 5.0
MOST_BYTES = 8192
"""A request that is longer, or takes longer, is none of a probe."""

Answer = tuple[int, str, bytes]
"""Status, content type and body."""
REASONS = {200: "OK", 400: "Bad Request", 404: "Not Found", 405: "Method Not Allowed", 503: "Service Unavailable"}
PLAIN = "text/plain; charset=utf-8"


class Probe:
    """Serves `pages` by their path on a port of loopback, from `start` to `close`."""

    def __init__(self, pages: dict[str, Callable[[], Answer]]) -> None:
        self._pages = pages
        self._server: asyncio.Server | None = None

    async def start(self, port: int) -> int:
        """Listens; gives the port, which the system chooses where 0 is asked for.

        Raises:
            OSError: the port is taken.
        """
        self._server = await asyncio.start_server(self._serve, HOST, port, limit=MOST_BYTES)
        return int(self._server.sockets[0].getsockname()[1])

    async def close(self) -> None:
        """Listens no more."""
        if self._server is not None:
            self._server.close()
            await self._server.wait_closed()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with suppress(OSError, TimeoutError):
            async with asyncio.timeout(PATIENCE_S):
                head_only, (status, kind, body) = await self._answer(reader)
                head = f"HTTP/1.1 {status} {REASONS[status]}\r\nContent-Type: {kind}\r\nContent-Length: {len(body)}\r\n"
                writer.write(f"{head}Connection: close\r\n\r\n".encode() + (b"" if head_only else body))
                await writer.drain()
        writer.close()

    async def _answer(self, reader: asyncio.StreamReader) -> tuple[bool, Answer]:
        """Whether only the head is wanted, and the answer; RFC 9112, as far as a probe goes."""
        try:
            words = (await reader.readuntil(b"\r\n\r\n")).split(b"\r\n")[0].decode("ascii").split(" ")
        except (asyncio.IncompleteReadError, asyncio.LimitOverrunError, UnicodeDecodeError):
            return False, (400, PLAIN, b"expected a request of HTTP/1.1\n")
        if len(words) != 3 or not words[2].startswith("HTTP/1."):
            return False, (400, PLAIN, b"expected a request of HTTP/1.1\n")
        method, path = words[0], words[1].partition("?")[0]
        if method not in ("GET", "HEAD"):
            return False, (405, PLAIN, b"expected GET\n")
        page = self._pages.get(path)
        if page is None:
            return method == "HEAD", (404, PLAIN, f"expected one of {', '.join(self._pages)}\n".encode())
        return method == "HEAD", page()
