"""A stand with a simulated device in this process, and everything that it said."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import Any, TypeVar

from daq.procedure.effects import Alarm
from daq.record.async_store import AsyncStore
from daq.record.store import Store
from daq.record.values import StoredRun
from daq.stand.request import StartRequest
from daq.stand.said import Finished, Live, Said, Stage
from daq.stand.stand import Stand
from simulator.driver import SimulatedDevice

T = TypeVar("T")
SCRIPTED = "sim://scripted?script=1"
"""A good pump and a person who goes by the clock: at rest for 6 s, connected at 8.2 s, switched on at 9.7 s."""
STREAMING = "sim://depot/good-pump?pace=2000"
"""A device whose samples go on between runs, hardly held back by the wall clock."""


@dataclass(eq=False)
class Bench:
    """`said` holds all that the stand said; `hooks` are called with each of it."""

    stand: Stand
    store: AsyncStore
    device: SimulatedDevice
    said: list[Said] = field(default_factory=list)
    hooks: list[Callable[[Said], None]] = field(default_factory=list)
    _news: asyncio.Event = field(default_factory=asyncio.Event)

    def hear(self, said: Said) -> None:
        self.said.append(said)
        for hook in self.hooks:
            hook(said)
        self._news.set()

    async def next(self, kind: type[T], fits: Callable[[T], bool] = lambda _: True) -> T:
        """The first thing of a kind that was said and fits, waited for where it was not said yet."""
        seen = 0
        async with asyncio.timeout(60):
            while True:
                for said in self.said[seen:]:
                    if isinstance(said, kind) and fits(said):
                        return said
                seen = len(self.said)
                self._news.clear()
                await self._news.wait()

    def all(self, kind: type[T]) -> list[T]:
        return [said for said in self.said if isinstance(said, kind)]

    async def begin(self, part: str = "MH-2101", **more: str) -> str:
        return await self.stand.start(StartRequest(part, **more))

    async def test(self, part: str = "MH-2101", **more: str) -> Finished:
        """A whole run, in which the person at the bench hears what the stand asks."""
        run = await self.begin(part, **more)
        return await self.ended(run)

    async def ended(self, run: str) -> Finished:
        return await self.next(Finished, lambda f: f.data.run == run)

    async def stored(self, run: str) -> StoredRun:
        return await self.store.ask(Store.run, run)

    async def events(self, run: str, kind: str) -> list[dict[str, Any]]:
        return [e.body for e in await self.store.ask(Store.events, run) if e.kind == kind]

    def at(self, seconds: float, do: Callable[[], None]) -> None:
        """Does something once, when the run has come so far."""
        waiting = [do]

        def hook(said: Said) -> None:
            if waiting and isinstance(said, Live) and said.about is not None and said.step.t >= seconds:
                waiting.pop()()

        self.hooks.append(hook)


@asynccontextmanager
async def operating(stand: Stand, store: AsyncStore, device: SimulatedDevice) -> AsyncIterator[Bench]:
    """The stand's loop runs while the block lasts; what it raises comes out of the block."""
    bench = Bench(stand, store, device)
    stand.listeners.append(bench.hear)
    bench.hooks.append(lambda said: _tell(device, said))
    stand.attach(device)
    loop = asyncio.create_task(stand.operate(device), name="stand under test")
    try:
        yield bench
        assert not supply_called_low(bench) or supply_is_low(bench), "a sound supply was called low"
        stand.stop()
        await stand.settled()
    finally:
        loop.cancel()
        [ended] = await asyncio.gather(loop, return_exceptions=True)
        await device.close()
    if isinstance(ended, Exception):
        raise ended


def supply_called_low(bench: Bench) -> bool:
    return any(alarm.code == "supply_low" for alarm in bench.all(Alarm))


def supply_is_low(bench: Bench) -> bool:
    """Whether the supply, or what senses it, is not as it should be."""
    sim = bench.device.bench
    most_amperes, supply = 8.0, sim.design.supply
    of_sensor = any(name.startswith("voltage") for name in sim.design.failed)
    volts = min(supply.volts, sim.plant.volts)  # a test may turn the supply down
    return volts - most_amperes * supply.resistance < 13.2 or of_sensor


def _tell(device: SimulatedDevice, said: Said) -> None:
    if isinstance(said, Stage) and said.now is not None:
        device.operator.hear(said.now.do.value)
