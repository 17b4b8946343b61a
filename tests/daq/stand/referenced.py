"""Stands that follow or drive, whose device measures its references, and what becomes of one of them."""

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from daq.catalogue.load import load_stand
from daq.procedure.effects import Alarm
from daq.stand.said import Finished
from drivers.block import Role
from simulator.scenario import find_scenario
from tests.daq.stand.bench import Bench
from tests.daq.stand.driven import DRIVEN, opened

FOLLOWED = DRIVEN.parent / "stand.toml"
LIFT, LOW_LIFT = 0.5, 0.05
"""Volts without pressure, of the depot's transducer and of one whose rest hardly moves with its excitation."""
FROM_START, AFTER_ZERO = 0.0, 7.0
"""Seconds of the run: the first scan; after five seconds of rest gave the zero, before power."""


@dataclass(frozen=True, slots=True)
class Change:
    """What the reading of a reference becomes: `of` its volts and of the seconds since `at`."""

    role: Role
    of: Callable[[float, float], float]
    at: float = AFTER_ZERO

    @classmethod
    def by(cls, role: Role, share: float, at: float = AFTER_ZERO) -> "Change":
        """Off by a share of itself."""
        return cls(role, lambda volts, _: volts * (1.0 + share), at)

    @classmethod
    def drifting(cls, role: Role, share: float, at: float = AFTER_ZERO) -> "Change":
        """Further off by a share of itself with each second."""
        return cls(role, lambda volts, seconds: volts * (1.0 + share * seconds), at)

    def befall(self, bench: Bench) -> None:
        readout, begin = bench.device.bench.readout, bench.device.bench.time + self.at
        readout.disturb(self.role, lambda v, time: v if time < begin else self.of(v, time - begin))


def scenario(folder: Path, *, driven: bool, lift: float) -> Path:
    """The scenario with measured references, on the device of the stand that drives itself where `driven`; the
    transducer gives `lift` volts without pressure."""
    text = find_scenario("referenced").read_text(encoding="utf-8")
    if driven:
        device = find_scenario("driven").read_text(encoding="utf-8").partition("[device]")[2]
        device = device.replace("block_scans = 20 ", "block_scans = 15 ")
        head, _, rest = text.partition("[device]")
        text = head + "[device]" + device + "\n[sensors.converter]" + rest.partition("[sensors.converter]")[2]
    slope = "\nvolts_per_1000kpa"
    text = text.replace(f"volts_at_zero = {LIFT}{slope}", f"volts_at_zero = {lift}{slope}")
    text = text.replace("out_low_v = 0.2\n", "out_low_v = 0.0\n")
    folder.mkdir(exist_ok=True)
    file = folder / f"referenced-{'driven' if driven else 'followed'}.toml"
    file.write_text(text, encoding="utf-8")
    return file


@asynccontextmanager
async def referenced(folder: Path, unit: str, *, driven: bool, lift: float = LIFT) -> AsyncIterator[Bench]:
    """A stand in operation whose device measures its references, its records in `folder`."""
    config = load_stand(DRIVEN if driven else FOLLOWED)
    pressure = config.stand.channels.pressure
    shift = (lift - LIFT) / pressure.excitation
    pressure = replace(
        pressure,
        out_low=pressure.out_low + shift,
        out_high=pressure.out_high + shift,
        valid_low=min(pressure.valid_low, 0.5 * lift / pressure.excitation),
    )
    channels = replace(config.stand.channels, pressure=pressure)
    config = replace(config, stand=replace(config.stand, channels=channels))
    file = scenario(folder, driven=driven, lift=lift)
    async with opened(config, folder, f"sim://{file}/{unit}") as bench:
        yield bench


async def outcome(
    folder: Path, unit: str, *changes: Change, driven: bool, lift: float = LIFT
) -> tuple[Finished, dict[str, Alarm]]:
    """A whole run with these changes: what it came to, and its alarms by code."""
    async with referenced(folder, unit, driven=driven, lift=lift) as bench:
        for change in changes:
            change.befall(bench)
        found = await bench.test("MH-2101")
        return found, {alarm.code: alarm for alarm in bench.all(Alarm)}
