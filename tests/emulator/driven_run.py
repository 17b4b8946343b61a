"""A whole run on the stand that drives itself, under one of the firmwares, and what the unit really went through."""

import asyncio
import json
import shlex
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np

from daq.catalogue.stand_file import StandConfig
from daq.publish import contract as c
from daq.stand.said import Finished
from simulator.bench import Bench as SimBench
from tests import firmware_builds
from tests.daq.stand.bench import Bench
from tests.daq.stand.driven import opened, stand_file

PARTS = {
    "good-pump": "MH-2101",
    "weak-pump": "MH-2101",
    "high-pressure": "MH-2140",
    "displacement": "MH-2207",
    "module": "MH-3310",
    "module-return": "MH-3325",
}
"""Every part of the catalogue by the unit that is mounted, and one that must fail."""
PROGRAMS: dict[str, Callable[[Path], list[str]]] = {
    "python": lambda _: [],
    "host": lambda _: firmware_builds.host(),
    "avr": firmware_builds.avr,
}
"""By firmware, the program that is put on the bench; a report is written to the file where it writes one. Ours needs
none."""
LONGEST_S = 280.0
"""Wall time that a run may take, on a machine with other work."""
MEAN_S, SCAN_S = 0.05, 0.002


@dataclass(frozen=True, slots=True)
class Driven:
    """What a run came to. `truth` is `[scans, 3]`: pressure (Pa) at the line, the valve's travel, and whether the unit
    had power, as the plant knows them; `report` the emulator's own, empty without one."""

    data: c.ResultData
    stages: tuple[str, ...]
    truth: np.ndarray
    report: dict[str, Any]

    @property
    def shut_s(self) -> float:
        """For how long at a stretch the unit ran against a shut valve."""
        edges = np.flatnonzero(np.diff(self._shut.astype(int), prepend=0, append=0))
        return float((edges[1::2] - edges[::2]).max()) * SCAN_S

    @property
    def overshoot(self) -> float:
        """How far (Pa) the highest 50 ms mean of pressure lay above what the unit held while the valve was shut."""
        pressure = self.truth[:, 0]
        per = round(MEAN_S / SCAN_S)
        means = np.convolve(np.where(self.truth[:, 2] > 0.0, pressure, 0.0), np.full(per, 1.0 / per), "valid")
        return float(means.max() - np.median(pressure[self._shut]))

    @property
    def _shut(self) -> np.ndarray:
        return np.asarray((self.truth[:, 1] < 1e-3) & (self.truth[:, 2] > 0.0))


def run(folder: Path, unit: str, firmware: str, travel: float | None = None) -> Driven:
    """The run of one unit, its records in the folder. `travel` (s) is what the stand says of its valve where that is
    not what the file says."""
    config = stand_file()
    if travel is not None:
        assert config.stand.drive is not None
        drive = replace(config.stand.drive, travel=travel)
        config = replace(config, stand=replace(config.stand, drive=drive))
    return asyncio.run(_run(folder, unit, firmware, config))


async def _run(folder: Path, unit: str, firmware: str, config: StandConfig) -> Driven:
    report = folder / "report.json"
    program = shlex.join(PROGRAMS[firmware](report))
    address = f"sim://driven/{unit}" + (f"?firmware={quote(program)}" if program else "")
    async with opened(config, folder, address) as bench:
        truth = _watch(bench.device.bench)
        data = await _ended(bench, PARTS[unit])
        notes = [e["what"] for e in await bench.events(data.run, "note")]
    stages = tuple(dict.fromkeys(what.removeprefix("stage ") for what in notes if what.startswith("stage ")))
    return Driven(data, stages, np.array(truth), json.loads(report.read_text()) if report.exists() else {})


async def _ended(bench: Bench, part: str) -> c.ResultData:
    finished: asyncio.Future[c.ResultData] = asyncio.get_running_loop().create_future()
    bench.hooks.append(lambda said: finished.set_result(said.data) if isinstance(said, Finished) else None)
    await bench.begin(part)
    async with asyncio.timeout(LONGEST_S):
        return await finished


def _watch(bench: SimBench) -> list[tuple[float, float, float]]:
    """What the plant goes through from now on, scan by scan."""
    seen: list[tuple[float, float, float]] = []
    scan = bench.scan

    def watched() -> list[int]:
        counts = scan()
        seen.append((bench.plant.pressure, bench.travel, float(bench.plant.powered)))
        return counts

    bench.scan = watched  # type: ignore[method-assign]
    return seen
