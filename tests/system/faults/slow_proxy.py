"""`python -m tests.system.faults.slow_proxy PORT BROKER DELAY`: what the broker answers is passed on late."""

import asyncio
import sys
from contextlib import suppress

HOST = "127.0.0.1"


async def _pass_on(reader: asyncio.StreamReader, writer: asyncio.StreamWriter, delay: float) -> None:
    """Each piece `delay` s after it came; pieces do not wait for each other."""
    loop = asyncio.get_running_loop()
    with suppress(ConnectionError):
        while piece := await reader.read(65536):
            loop.call_later(delay, writer.write, piece) if delay else writer.write(piece)
    loop.call_later(delay, writer.close)


async def main() -> None:
    port, broker, delay = int(sys.argv[1]), int(sys.argv[2]), float(sys.argv[3])

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            back, forth = await asyncio.open_connection(HOST, broker)
        except OSError:
            writer.close()
            return
        await asyncio.gather(_pass_on(reader, forth, 0.0), _pass_on(back, writer, delay))

    async with await asyncio.start_server(serve, HOST, port) as server:
        await server.serve_forever()


if __name__ == "__main__":
    asyncio.run(main())
