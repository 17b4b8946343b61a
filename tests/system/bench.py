"""The program itself as a child process, a simulated stand on a real line, and a subscriber that is not ours."""

import asyncio
import json
import os
import shutil
import signal
import sys
from asyncio.subprocess import PIPE, Process
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from uuid import uuid4

from simulator.adapter import Line, PtyLine, TcpLine, keep_running, serve_pty, serve_tcp
from simulator.rig import Rig

Json = dict[str, Any]
BASE = "steadyhead/v1/marrow-hill/bench-1"
LONGEST_LINE = 1 << 20
WAIT_S = 120.0
_PLACES = os.pathsep.join((os.environ.get("PATH", ""), "/usr/sbin", "/usr/local/sbin"))


def program(name: str) -> str:
    found = shutil.which(name, path=_PLACES)
    assert found is not None, f"{name} is not installed; on Debian: apt-get install mosquitto mosquitto-clients"
    return found


def says(**fields: Any) -> Callable[[Json], bool]:
    """Whether something has these fields."""
    return lambda body: all(body.get(key) == value for key, value in fields.items())


@dataclass(eq=False)
class Heard:
    """What came, in order; `next` takes the first that fits and was not taken yet, waiting for it if need be."""

    came: list[tuple[str, Json]] = field(default_factory=list)
    over: bool = False
    _news: asyncio.Event = field(default_factory=asyncio.Event)

    def add(self, topic: str, body: Json) -> None:
        self.came.append((topic, body))
        self._news.set()

    def end(self) -> None:
        """Nothing more will come."""
        self.over = True
        self._news.set()

    async def next(self, topic: str, fits: Callable[[Json], bool] = lambda _: True, wait: float = WAIT_S) -> Json:
        try:
            async with asyncio.timeout(wait):
                while (found := self._take(topic, fits)) is None:
                    assert not self.over, f"nothing on {topic!r} that fits came before the end: {self.came[-6:]}"
                    self._news.clear()
                    await self._news.wait()
        except TimeoutError:
            last = "\n".join(str(entry)[:300] for entry in self.came[-12:])
            raise AssertionError(
                f"nothing on {topic!r} that fits came within {wait:g} s; the last were\n{last}"
            ) from None
        return found

    def _take(self, topic: str, fits: Callable[[Json], bool]) -> Json | None:
        for k, (at, body) in enumerate(self.came):
            if at == topic and fits(body):
                return self.came.pop(k)[1]
        return None


class Child:
    """`steadyhead …` in a process of its own. Standard output is read line by line, JSON goes to `heard` by event."""

    def __init__(self, process: Process) -> None:
        self.process = process
        self.heard = Heard()
        self.output: list[str] = []
        self._reading = asyncio.create_task(self._read(), name="output of a child")

    async def _read(self) -> None:
        assert self.process.stdout is not None
        while line := (await self.process.stdout.readline()).decode():
            self.output.append(line)
            with suppress(ValueError, AttributeError):
                body = json.loads(line)
                self.heard.add(str(body.get("event", "")), body)
        self.heard.end()

    def say(self, line: str) -> None:
        """A line on its standard input."""
        if self.process.stdin is not None and not self.process.stdin.is_closing():
            self.process.stdin.write(f"{line}\n".encode())

    async def ended(self) -> tuple[int, str]:
        """Its exit code and what it said on standard error, but for the line that says that tests use the example."""
        assert self.process.stderr is not None
        async with asyncio.timeout(WAIT_S):
            errors = (await self.process.stderr.read()).decode()
            await self._reading
            told = [line for line in errors.splitlines(keepends=True) if ": an example; " not in line]
            return await self.process.wait(), "".join(told)

    async def end(self, how: signal.Signals = signal.SIGTERM) -> tuple[int, str]:
        self.process.send_signal(how)
        return await self.ended()


@asynccontextmanager
async def steadyhead(*words: str | Path, stdin: bool = False) -> AsyncIterator[Child]:
    """Runs the command; what is left of it at the end of the block is killed."""
    env = {k: v for k, v in os.environ.items() if k not in ("STEADYHEAD_CONFIG", "STEADYHEAD_TRACEBACK")}
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-m", "daq.cli", *map(str, words)),
        cwd=Path(__file__).parents[2],
        stdin=PIPE if stdin else asyncio.subprocess.DEVNULL,
        stdout=PIPE,
        stderr=PIPE,
        env=env,
        limit=LONGEST_LINE,
    )
    child = Child(process)
    try:
        yield child
    finally:
        if process.returncode is None:
            with suppress(ProcessLookupError):
                process.kill()
        if child.process.stdin is not None:
            child.process.stdin.close()
        await child.ended()


@dataclass(eq=False)
class Simulated:
    """A rig at the end of a line. Words that the person at the bench confirms go to `confirmed`."""

    rig: Rig
    address: str
    confirmed: Callable[[str], None] = lambda _: None

    def after(self) -> None:
        for word in self.rig.bench.operator.take_confirmations():
            self.confirmed(word)


@asynccontextmanager
async def simulated(rig: Rig, pace: float, *, tcp: bool = False) -> AsyncIterator[Simulated]:
    """A device on a pseudo-terminal, or on TCP, for the length of the block."""
    stand = Simulated(rig, "")
    made: tuple[Line, asyncio.Task[None]]
    made = await (serve_tcp(rig, pace, after=stand.after) if tcp else serve_pty(rig, pace, stand.after))
    line, running = made
    stand.address = line.address

    async def unplug() -> None:
        """What is unplugged is gone for the host too."""
        await running
        await line.close()

    ending = asyncio.create_task(unplug(), name="end of a simulated line")
    try:
        yield stand
    finally:
        if not ending.done():
            ending.cancel()
            running.cancel()
            await asyncio.gather(ending, running, return_exceptions=True)
            await line.close()
        else:
            ending.result()


@asynccontextmanager
async def simulated_from_stream(rig: Rig, pace: float, *, tcp: bool = False) -> AsyncIterator[Simulated]:
    """As `simulated`, but simulated time stands still until the host has asked who is there, and again until it has
    switched the stream on: exactly as in a simulation that waits for its host, so that the samples are the same, and
    what happens at a certain time happens in mid-run however long the host takes to start."""
    stand, arrived = Simulated(rig, ""), asyncio.Event()

    def receive(data: bytes) -> None:
        rig.write(data)
        arrived.set()

    line = TcpLine(receive) if tcp else PtyLine(receive)
    if isinstance(line, TcpLine):
        await line.open("127.0.0.1", 0)
    stand.address = line.address

    async def run() -> None:
        await arrived.wait()
        arrived.clear()
        for piece in rig.run():
            line.send(piece)
        await arrived.wait()
        await keep_running(rig, line, pace, stand.after)
        await line.close()

    running = asyncio.create_task(run(), name="simulated device that waits for its host")
    try:
        yield stand
    finally:
        if running.done():
            running.result()
        else:
            running.cancel()
            await asyncio.gather(running, return_exceptions=True)
            await line.close()


class Subscriber(Heard):
    """What `mosquitto_sub` prints; requests go out by `mosquitto_pub`."""

    def __init__(self, port: int, base: str = BASE) -> None:
        super().__init__()
        self._port, self._base = port, base

    async def ask(self, command: str, **fields: Any) -> Json:
        """Sends a request and gives its answer."""
        request = uuid4().hex
        body = json.dumps({"request_id": request, "valid_ms": 5000, **fields})
        where = ("-h", "127.0.0.1", "-p", str(self._port), "-q", "1")
        sending = await asyncio.create_subprocess_exec(
            program("mosquitto_pub"), *where, "-t", f"{self._base}/cmd/{command}", "-m", body
        )
        assert await sending.wait() == 0
        return await self.next(f"cmd/{command}/reply", says(request_id=request))


@asynccontextmanager
async def subscribed(port: int, *options: str, base: str = BASE) -> AsyncIterator[Subscriber]:
    """A `mosquitto_sub` to everything that the stand says."""
    command = (program("mosquitto_sub"), "-h", "127.0.0.1", "-p", str(port), "-q", "1", "-t", f"{base}/#")
    process = await asyncio.create_subprocess_exec(*command, "-F", "%t %p", *options, stdout=PIPE, limit=LONGEST_LINE)
    heard = Subscriber(port, base)

    async def read() -> None:
        assert process.stdout is not None
        while line := (await process.stdout.readline()).decode():
            topic, _, payload = line.partition(" ")
            if payload.strip():
                heard.add(topic.removeprefix(f"{base}/"), json.loads(payload))

    reading = asyncio.create_task(read(), name="subscriber")
    try:
        yield heard
    finally:
        process.terminate()
        await process.wait()
        await reading
