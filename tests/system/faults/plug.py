"""`python -m tests.system.faults.plug LINK`: a simulated device at a pseudo-terminal whose name is LINK.

On standard input: `unplug` takes it away and plugs it in again after a second; `garbage S` puts noise instead of frames
on the line for S seconds, `hostile S` rows of zeros and frames with a right check sum that hold anything.
"""

import asyncio
import os
import random
import sys
from contextlib import suppress
from pathlib import Path

from drivers.link import cobs
from drivers.link.frames import Type
from simulator.adapter import PtyLine, keep_running
from simulator.rig import Rig
from simulator.scenario import load_scenario

PACE = 4.0
AWAY_S = 1.0


class Plug:
    """The device and its line."""

    def __init__(self, link: Path) -> None:
        self._link, self._draw = link, random.Random(11)
        self._line: PtyLine | None = None
        self._running: asyncio.Task[None] | None = None

    def put_in(self) -> None:
        """A device that has just got its power, at a new terminal."""
        rig = Rig(load_scenario("depot"), "good-pump")
        self._line = line = PtyLine(rig.write)
        self._running = asyncio.create_task(keep_running(rig, line, PACE, lambda: None))
        aside = self._link.with_suffix(".new")
        aside.symlink_to(line.address.removeprefix("serial://"))
        aside.replace(self._link)

    async def take_out(self) -> None:
        assert self._line is not None
        assert self._running is not None
        self._link.unlink()
        self._running.cancel()
        with suppress(asyncio.CancelledError):
            await self._running
        await self._line.close()

    async def garbage(self, seconds: float) -> None:
        """Random bytes, as many as the line takes, between what the device says."""
        end = asyncio.get_running_loop().time() + seconds
        while asyncio.get_running_loop().time() < end:
            assert self._line is not None
            self._line.send(self._draw.randbytes(500))
            await asyncio.sleep(0.01)

    async def hostile(self, seconds: float) -> None:
        """What costs a reader most, and what it may least believe, between what the device says."""
        end = asyncio.get_running_loop().time() + seconds
        while asyncio.get_running_loop().time() < end:
            assert self._line is not None
            self._line.send(bytes(500) + b"A\0" * 50 + b"".join(self._frame() for _ in range(2)))
            await asyncio.sleep(0.01)

    def _frame(self) -> bytes:
        """Of a type that a device sends; a STATUS has its right length, others may."""
        kind = self._draw.choice((Type.SCANS, Type.STATUS, Type.BURST, Type.REPLY))
        body = self._draw.randbytes(18 if kind is Type.STATUS else self._draw.randrange(60))
        content = bytes((kind, self._draw.randrange(256))) + body
        return cobs.encode(content + cobs.crc16(content).to_bytes(2, "little")) + b"\0"


async def main() -> None:
    plug = Plug(Path(sys.argv[1]))
    plug.put_in()
    reader = asyncio.StreamReader()
    await asyncio.get_running_loop().connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
    while line := (await reader.readline()).decode().split():
        if line[0] == "unplug":
            await plug.take_out()
            await asyncio.sleep(AWAY_S)
            plug.put_in()
        elif line[0] == "garbage":
            await plug.garbage(float(line[1]))
        elif line[0] == "hostile":
            await plug.hostile(float(line[1]))
        sys.stdout.write("done\n")
        sys.stdout.flush()
    os._exit(0)


if __name__ == "__main__":
    asyncio.run(main())
