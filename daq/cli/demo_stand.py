"""The demonstration's stand: simulator and daemon in processes of their own, or both in this one, not waiting."""

import asyncio
import json
import signal
import sys
from asyncio.subprocess import PIPE, Process
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any, Protocol

from daq.cli.broker import Broker
from daq.stand.errors import StandError
from simulator.scenario import load_scenario

SCENARIO = "depot"
LONGEST_LINE = 1 << 20
END_S = 8.0
Hear = Callable[[dict[str, Any]], None]


class DemoStand(Protocol):
    """A stand with its daemon. `open` first, `close` last."""

    async def open(self) -> None: ...

    async def mount(self, unit: str) -> tuple[str, str]:
        """Puts a unit of the scenario on the bench; gives its part number and serial."""
        ...

    def hear_stage(self, payload: str) -> None: ...

    async def confirmed(self) -> str: ...

    async def ended(self) -> None:
        """Returns never; raises StandError when a part of the stand has ended by itself."""
        ...

    async def close(self) -> None: ...


class LiveStand:
    """`steadyhead simulate` on a pseudo-terminal and `steadyhead serve` on that, in real time."""

    def __init__(self, directory: Path, data: Path, broker: Broker, hear: Hear) -> None:
        self._directory, self._data, self._broker, self._hear = directory, data, broker, hear
        self._units = load_scenario(SCENARIO).units
        self._words: asyncio.Queue[str] = asyncio.Queue()
        self._processes: dict[str, Process] = {}
        self._tasks: list[asyncio.Task[None]] = []
        self._opened = asyncio.Event()

    async def open(self) -> None:
        simulator = await self._spawn("simulate", SCENARIO, stdin=PIPE)
        device = (await _line_of(simulator)).strip()
        if "://" not in device:
            raise StandError(f"demonstration: the simulator did not name its port; it said {device!r}")
        options = ("--device", device, "--broker", self._broker.url, "--mqtt", self._broker.version)
        daemon = await self._spawn(
            "serve", "--config", str(self._directory), "--data", str(self._data), *options, "--json"
        )
        self._tasks = [asyncio.create_task(self._follow(simulator)), asyncio.create_task(self._log(daemon))]
        self._opened.set()

    async def _spawn(self, command: str, *options: str, stdin: int | None = None) -> Process:
        # A session of its own: Ctrl-C ends the demonstration, which then ends its children in order.
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "daq.cli", command, *options),
            stdin=stdin if stdin is not None else asyncio.subprocess.DEVNULL,
            stdout=PIPE,
            limit=LONGEST_LINE,
            start_new_session=True,
        )
        self._processes[command] = process
        return process

    async def _follow(self, simulator: Process) -> None:
        while line := await _line_of(simulator):
            verb, _, word = line.strip().partition(" ")
            if verb == "confirm":
                self._words.put_nowait(word)

    async def _log(self, daemon: Process) -> None:
        while line := await _line_of(daemon):
            self._hear(json.loads(line))

    async def mount(self, unit: str) -> tuple[str, str]:
        self._steer(f"unit {unit}")
        design = self._units[unit]
        return design.part, design.serial

    def hear_stage(self, payload: str) -> None:
        self._steer(payload)

    def _steer(self, line: str) -> None:
        simulator = self._processes["simulate"]
        if simulator.stdin is not None and simulator.returncode is None:
            simulator.stdin.write(f"{line}\n".encode())

    async def confirmed(self) -> str:
        return await self._words.get()

    async def ended(self) -> None:
        await self._opened.wait()
        waits = {asyncio.create_task(process.wait()): name for name, process in self._processes.items()}
        done, rest = await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
        for task in rest:
            task.cancel()
        name = waits[done.pop()]
        code = self._processes[name].returncode
        raise StandError(
            f"demonstration: `steadyhead {name}` ended by itself with code {code}; what it said stands above"
        )

    async def close(self) -> None:
        for command in ("serve", "simulate"):
            process = self._processes.get(command)
            if process is not None:
                await _end(process)
        await asyncio.gather(*self._tasks, return_exceptions=True)


class FastStand:
    """Simulator and daemon in this process; sample time runs as fast as it can."""

    def __init__(self, directory: Path, data: Path, broker: Broker, hear: Hear) -> None:
        self._directory, self._data, self._broker, self._hear = directory, data, broker, hear
        self._stop = asyncio.Event()
        self._device: Any = None
        self._task: asyncio.Task[None] | None = None
        self._opened = asyncio.Event()

    async def open(self) -> None:
        from daq.cli.config import load
        from daq.stand.daemon import Daemon
        from daq.stand.report import record
        from daq.stand.said import Stage
        from drivers.device import open_device

        config, catalogue = load(self._directory, f"sim://{SCENARIO}/good-pump", self._data)
        broker = replace(config.broker, host=self._broker.host, port=self._broker.port, version=self._broker.version)
        self._device = device = await open_device(config.device)

        def hear(said: Any) -> None:
            if isinstance(said, Stage) and said.now is not None:
                self._device.operator.hear(said.now.do.value)
            made = record(said)
            if made is not None:
                self._hear(made)

        daemon = Daemon(replace(config, broker=broker), catalogue, hear)
        self._task = asyncio.create_task(daemon.run(self._stop, device), name="daemon")
        self._opened.set()

    async def mount(self, unit: str) -> tuple[str, str]:
        self._device.bench.mount(unit)
        design = self._device.bench.design
        return design.part, design.serial

    def hear_stage(self, payload: str) -> None:
        """The operator hears the stand itself, at the sample where it asks."""

    async def confirmed(self) -> str:
        """Confirmations come with the samples; none comes this way."""
        await asyncio.Event().wait()
        return ""

    async def ended(self) -> None:
        await self._opened.wait()
        assert self._task is not None, "set when it was opened"
        await asyncio.wait({self._task})
        self._task.result()
        raise StandError("demonstration: the daemon ended by itself")

    async def close(self) -> None:
        self._stop.set()
        if self._task is not None:
            await asyncio.wait({self._task})


async def _line_of(process: Process) -> str:
    assert process.stdout is not None, "spawned with a pipe"
    return (await process.stdout.readline()).decode()


async def _end(process: Process) -> None:
    if process.returncode is None:
        with suppress(ProcessLookupError):
            process.send_signal(signal.SIGTERM)
    try:
        async with asyncio.timeout(END_S):
            await process.wait()
    except TimeoutError:
        process.kill()
        await process.wait()
