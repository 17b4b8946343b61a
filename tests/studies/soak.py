"""A simulated day of back-to-back runs on four stands in one daemon: is its memory flat, and every result there?

    python -m tests.studies.soak [HOURS]

Whole runs of a pump that is good, one that is weak, and both kinds of module, each on a stand of its own, in virtual
time; recordings, traces, one SQLite file, a broker and a subscriber with a session are real. HOURS is what each stand's
own clock goes on by. Results are counted from the subscriber's log and a list of what was begun, never from the
database.

*Flat* means: over all but the first fifth of the runs, the least-squares line through resident memory rises by less
than 5 % of what it begins with; and open files, threads and tasks are no more at the end than they were at some time in
the first half of that. Exit code 1 where that does not hold, or a result is lost, doubled or out of order.
"""

import asyncio
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import psutil

from daq.catalogue.load import load_catalogue, load_stand
from daq.stand.request import StartRequest
from daq.stand.said import Begun, Finished, Stage
from daq.watch.keeper import Keeper
from daq.watch.manager import Manager
from daq.watch.service import Service
from tests.conftest import Mosquitto
from tests.studies.common import show
from tests.system.faults import subscriber
from tests.system.faults.counts import Counts, arrivals, count

ROOT = Path(__file__).parents[2]
STANDS = (("MH-2101", "good-pump"), ("MH-2101", "weak-pump"), ("MH-3310", "module"), ("MH-3325", "module-return"))
LOOKS = 24
SETTLED = 0.2
"""Share of the runs in which caches fill and the allocator finds its size."""
RISE = 0.05
DRAIN_S = 60.0


def slower(scenario: str) -> str:
    """The shipped bench with a device that scans 100 times a second: simulating scans is most of the work, and blocks,
    steps, readings and messages of a run are as many."""
    for before, after in (("sample_hz = 500", "sample_hz = 100"), ("block_scans = 20 ", "block_scans = 4 ")):
        if scenario.count(before) != 1:
            raise RuntimeError(f"depot.toml: expected {before!r} once")
        scenario = scenario.replace(before, after)
    return scenario


@dataclass(frozen=True, slots=True)
class Look:
    """The process after so many runs: resident memory in MB, open files, threads and tasks."""

    hours: float
    runs: int
    memory: float
    files: int
    threads: int
    tasks: int


class Soak:
    """Four stands at work, each with somebody at the bench who does what it asks."""

    def __init__(self, folder: Path, broker: Mosquitto, hours: float) -> None:
        self.hours, self.folder = hours, folder
        self.begun: dict[str, list[str]] = {}
        self.words: dict[str, int] = {}
        self.looks: list[Look] = []
        self.troubles: list[str] = []
        scenario = folder / "soak"
        scenario.write_text(slower((ROOT / "config" / "scenarios" / "depot.toml").read_text(encoding="utf-8")))
        shipped = load_stand(ROOT / "config")
        loaded = []
        for k, (_, unit) in enumerate(STANDS):
            made = replace(
                shipped,
                stand=replace(shipped.stand, name=f"bench-{k + 1}"),
                device=f"sim://{scenario}/{unit}?seed={k}",
                data=folder,
                database=f"sqlite:///{folder / 'records.db'}",
                broker=replace(shipped.broker, host=broker.host, port=broker.port),
            )
            catalogue = load_catalogue(ROOT / "config", made.stand)
            loaded.append(((made, catalogue), lambda made=made, catalogue=catalogue: (made, catalogue)))
        self.service = Service(loaded, self._log, manager=Manager({}))
        self._process = psutil.Process()

    def _log(self, record: dict[str, Any]) -> None:
        if record.get("level") == "error":
            self.troubles.append(str(record))

    async def run(self) -> None:
        """Until every stand's clock has come so far."""
        stop = asyncio.Event()
        working = asyncio.create_task(self.service.run(stop, asyncio.Event()))
        async with asyncio.TaskGroup() as tasks:
            benches = [
                tasks.create_task(self._bench(keeper, part, unit))
                for keeper, (part, unit) in zip(self.service.keepers, STANDS, strict=True)
            ]
            looking = tasks.create_task(self._look())
            await asyncio.wait(benches)
            looking.cancel()
        self.looks.append(self._now())
        await self._drained()
        stop.set()
        await working

    async def _bench(self, keeper: Keeper, part: str, unit: str) -> None:
        while not keeper.working or not keeper.daemon.stand.identity:  # type: ignore[union-attr]
            if self.troubles:
                raise RuntimeError(self.troubles[0])
            await asyncio.sleep(0.02)
        assert keeper.daemon is not None
        stand, device = keeper.daemon.stand, keeper.daemon.device
        listed, over = self.begun.setdefault(stand.key, []), asyncio.Event()

        def hear(said: Any) -> None:
            if isinstance(said, Begun):
                listed.append(said.about.run)
            if isinstance(said, Finished):
                word = said.data.verdict.value
                self.words[word] = self.words.get(word, 0) + 1
                over.set()
            if isinstance(said, Stage) and said.now is not None:
                device.operator.hear(said.now.do.value)  # type: ignore[union-attr]

        stand.listeners.append(hear)
        while self._clock(keeper) < self.hours:
            device.bench.mount(unit)  # type: ignore[union-attr]  # the next unit, cold and empty
            over.clear()
            await stand.start(StartRequest(part))
            await over.wait()
            await stand.settled()

    @staticmethod
    def _clock(keeper: Keeper) -> float:
        assert keeper.daemon is not None
        return keeper.daemon.device.bench.time / 3600 if keeper.daemon.device else 0.0  # type: ignore[attr-defined]

    async def _look(self) -> None:
        due = 0.0
        while True:
            await asyncio.sleep(0.2)
            if self._slowest() >= due:
                self.looks.append(self._now())
                sys.stderr.write(f"{' '.join(row(self.looks[-1]))}\n")
                due += self.hours / LOOKS

    def _slowest(self) -> float:
        return min(self._clock(keeper) for keeper in self.service.keepers)

    def _now(self) -> Look:
        with self._process.oneshot():
            return Look(
                self._slowest(),
                sum(map(len, self.begun.values())),
                self._process.memory_info().rss / 1e6,
                self._process.num_fds(),
                self._process.num_threads(),
                len(asyncio.all_tasks()),
            )

    async def _drained(self) -> None:
        end = time.monotonic() + DRAIN_S
        runs = {run for listed in self.begun.values() for run in listed}
        while runs - {arrival.run for arrival in arrivals(self.folder / "received.log")}:
            if time.monotonic() > end:
                return
            await asyncio.sleep(0.5)


def row(look: Look) -> tuple[str, ...]:
    return (
        f"{look.hours:.1f}",
        f"{look.runs}",
        f"{look.memory:.1f}",
        f"{look.files}",
        f"{look.threads}",
        f"{look.tasks}",
    )


def rise(looks: list[Look]) -> tuple[float, float]:
    """MB per 1000 runs, and how much of what it begins with the memory rises by, both by the line of least squares."""
    runs, memory = np.array([look.runs for look in looks]), np.array([look.memory for look in looks])
    slope, start = np.polyfit(runs, memory, 1)
    first = start + slope * runs[0]
    return float(slope) * 1000, float(slope * (runs[-1] - runs[0]) / first)


def flat(looks: list[Look]) -> tuple[bool, str]:
    """Whether it is, and the words for it."""
    late = [look for look in looks if look.runs >= SETTLED * looks[-1].runs]
    slope, share = rise(late)
    # The last look comes when nothing is under way any more, so it is held against the most of any look before.
    most = [max(getattr(look, name) for look in late[: len(late) // 2]) for name in ("files", "threads", "tasks")]
    more = [
        name for name, was in zip(("files", "threads", "tasks"), most, strict=True) if getattr(late[-1], name) > was
    ]
    word = f"{slope:+.2f} MB per 1000 runs, {share:+.1%} over runs {late[0].runs} to {late[-1].runs}"
    return share < RISE and not more, f"{word}; more at the end: {', '.join(more) or 'nothing'}"


@contextmanager
def listening(port: int, log: Path) -> Iterator[None]:
    """The subscriber of the campaign of faults, in a process of its own."""
    command = [sys.executable, "-m", subscriber.__name__, str(port), str(log)]
    process = subprocess.Popen(command, cwd=ROOT)
    try:
        while not log.with_suffix(f".{subscriber.READY}").exists():
            time.sleep(0.05)
        yield
    finally:
        process.kill()
        process.wait()


def soak(hours: float) -> tuple[Soak, dict[str, Counts]]:
    """The day, and what came of each stand's runs."""
    with tempfile.TemporaryDirectory(prefix="soak-") as name:
        folder = Path(name)
        (folder / "broker").mkdir()
        broker = Mosquitto(folder / "broker")
        broker.start()
        try:
            with listening(broker.port, folder / "received.log"):
                made = Soak(folder, broker, hours)
                asyncio.run(made.run())
            came = arrivals(folder / "received.log")
        finally:
            broker.stop()
    known = {key: set(runs) for key, runs in made.begun.items()}
    return made, {key: count(runs, [a for a in came if a.run in known[key]]) for key, runs in made.begun.items()}


def main() -> int:
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else 24.0
    began = time.monotonic()
    made, counts = soak(hours)
    show(("stands' clock, h", "runs", "memory, MB", "open files", "threads", "tasks"), map(row, made.looks))
    good, words = flat(made.looks)
    sys.stdout.write(f"\n{'flat' if good else 'NOT flat'}: {words}\n")
    for key, c in sorted(counts.items()):
        numbers = f"{c.lost} lost, {c.doubled} doubled, {c.wrong_order} out of order"
        sys.stdout.write(f"{key}: {c.produced} runs, {c.received} received, {numbers}\n")
    words = ", ".join(f"{number} {word}" for word, number in sorted(made.words.items()))
    sys.stdout.write(f"verdicts: {words}; {(time.monotonic() - began) / 60:.0f} minutes\n")
    return 0 if good and all(c.good for c in counts.values()) else 1


if __name__ == "__main__":
    sys.exit(main())
