"""A driven stand under one of the firmwares, and a witness of what the unit's power truly did."""

import shlex
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from urllib.parse import quote

from daq.catalogue.load import Catalogue, load_catalogue, load_stand
from daq.catalogue.stand_file import StandConfig
from daq.procedure.effects import Alarm
from daq.procedure.plan import Part
from daq.publish import contract as c
from daq.record.async_store import AsyncStore
from daq.record.engine import sqlite_url
from daq.stand.stand import Stand
from drivers.device import open_device
from simulator.driver import SimulatedDevice
from tests import firmware_builds
from tests.daq.stand.bench import Bench, operating

DRIVEN = Path(__file__).parents[3] / "config" / "stand-driven.toml"
FIRMWARES = ("python", "host", "avr")
"""Our virtual microcontroller; the reference firmware as a program; the same on an emulated ATmega328P."""


@dataclass(eq=False)
class Witness:
    """When the unit got power and lost it, as the plant knows it: (s of the bench, to a scan; on)."""

    bench: Bench
    switched: list[tuple[float, bool]] = field(default_factory=list)

    def __post_init__(self) -> None:
        sim, scan = self.bench.device.bench, self.bench.device.bench.scan

        def watched() -> list[int]:
            if sim.plant.powered is not self.on:
                self.switched.append((sim.time, sim.plant.powered))
            return scan()

        sim.scan = watched  # type: ignore[method-assign]

    @property
    def on(self) -> bool:
        return bool(self.switched) and self.switched[-1][1]

    @property
    def off_at(self) -> float:
        """When power was lost the last time."""
        assert self.switched
        time, on = self.switched[-1]
        assert not on, f"power is on still, since {time:.3f} s"
        return time

    @property
    def spells(self) -> list[float]:
        """How long power was on, each time (s)."""
        times = [time for time, _ in self.switched]
        return [off - on for on, off in zip(times[::2], times[1::2], strict=False)]


@dataclass(eq=False)
class DrivenBench:
    """A stand in operation. `time` is the bench's."""

    bench: Bench
    power: Witness

    @property
    def time(self) -> float:
        return self.bench.device.bench.time

    def stops(self) -> dict[str, Alarm]:
        """The grave alarms so far, by code."""
        return {alarm.code: alarm for alarm in self.bench.all(Alarm) if alarm.severity == "stop"}

    def part(self, number: str) -> Part:
        return catalogue().part(number)

    async def test(self, part: str = "MH-2101") -> c.ResultData:
        return (await self.bench.test(part)).data


@cache
def program(firmware: str) -> str:
    """The part of a device's address that puts a firmware on the bench."""
    if firmware == "python":
        return ""
    argv = firmware_builds.host() if firmware == "host" else firmware_builds.avr()
    return f"&firmware={quote(shlex.join(argv))}"


@cache
def stand_file() -> StandConfig:
    return load_stand(DRIVEN)


@cache
def catalogue() -> Catalogue:
    return load_catalogue(DRIVEN, stand_file().stand)


@asynccontextmanager
async def opened(config: StandConfig, folder: Path, address: str) -> AsyncIterator[Bench]:
    """A stand in operation at a simulated device, its records in `folder`."""
    config = replace(config, data=folder / "data", database=sqlite_url(folder / "records.db"), device=address)
    records = AsyncStore(config.database)
    await records.open()
    try:
        device = await open_device(address)
        assert isinstance(device, SimulatedDevice)
        async with operating(Stand(config, catalogue(), records), records, device) as bench:
            yield bench
    finally:
        await records.close()


@asynccontextmanager
async def driven(
    folder: Path, firmware: str = "python", unit: str = "good-pump", faults: str = "", **limits: float
) -> AsyncIterator[DrivenBench]:
    """The stand that ships and drives itself, in operation, its records in `folder`; `limits` (SI) replace its own."""
    address = f"sim://driven/{unit}?faults={quote(faults, safe=':,')}{program(firmware)}"
    shipped = stand_file()
    stand = replace(shipped.stand, limits=replace(shipped.stand.limits, **limits))  # type: ignore[arg-type]
    async with opened(replace(shipped, stand=stand), folder, address) as bench:
        yield DrivenBench(bench, Witness(bench))
