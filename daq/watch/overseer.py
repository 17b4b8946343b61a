"""Watches the daemons of one process: feeds the watchdog while they move on, and answers probes and collectors."""

import asyncio
import time
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime

from daq.publish.notices import Code, Notice
from daq.record.errors import RecordError
from daq.record.store import Store
from daq.stand.daemon import Daemon
from daq.stand.said import Finished
from daq.watch.manager import Manager
from daq.watch.metrics import CONTENT_TYPE, Metrics, Sight
from daq.watch.probe import PLAIN, Answer
from daq.watch.progress import LoopLag, Progress
from drivers.block import Link, LinkCounts

LOOK_S = 1.0
LATE_S = 0.5
"""A loop that is later than this renews no lease in time, and a heartbeat comes late."""
IN_TIME_S = 60.0
"""In time for so long, and nobody needs to be told of it any more."""
OUTBOX_S = 5.0


class _One:
    """One daemon under watch."""

    def __init__(self, daemon: Daemon, clock: Callable[[], float]) -> None:
        self.daemon = daemon
        self.progress = Progress(daemon, clock)
        self.runs: Counter[str] = Counter()
        self.waiting, self.oldest_s = 0, 0.0
        self.stuck: list[str] = []
        daemon.stand.listeners.append(self._hear)

    def _hear(self, said: object) -> None:
        if isinstance(said, Finished):
            self.runs[said.data.verdict.value] += 1

    async def count_outbox(self) -> None:
        """Length and age of what waits; while the database fails, as they were."""
        key, store = self.daemon.stand.key, self.daemon.store
        with suppress(RecordError):
            self.waiting, oldest = await store.ask(Store.backlog, key)
            self.oldest_s = (datetime.now(UTC) - oldest).total_seconds() if oldest else 0.0

    def sight(self) -> Sight:
        """As it is now."""
        daemon = self.daemon
        stand = daemon.stand
        return Sight(
            stand=stand.key,
            link=stand.link.link if daemon.working else Link.DOWN,
            working=daemon.working,
            connected=daemon.connected,
            ready=daemon.working and not stand.blocked_by,
            powered=stand.powered,
            blocks=stand.taken,
            counts=LinkCounts() if daemon.device is None else daemon.device.counts,
            alarms=tuple(sorted(daemon.voice.alarms)),
            waiting=self.waiting,
            oldest_s=self.oldest_s,
            runs=dict(self.runs),
        )


class Overseer:
    """Watches daemons from `watch` to `leave`, while `run` is at it. `clock` gives seconds."""

    def __init__(self, manager: Manager, clock: Callable[[], float] = time.monotonic) -> None:
        self.lag = LoopLag()
        self._manager, self._clock = manager, clock
        self._watched: dict[str, _One] = {}
        self._expected: set[str] = set()
        self._late_at: float | None = None
        self._metrics = Metrics(self)

    def expect(self, stand: str) -> None:
        """From now on this stand (its key) ought to be at work, also where no daemon of it can be made."""
        self._expected.add(stand)

    def watch(self, daemon: Daemon) -> None:
        """From now on this daemon counts, also where it has failed; its numbers begin anew where it takes the place of
        another."""
        if (before := self._watched.get(daemon.stand.key)) is not None:
            before.progress.end()
        self._watched[daemon.stand.key] = _One(daemon, self._clock)

    def leave(self, daemon: Daemon) -> None:
        """It counts no more."""
        one = self._watched.get(daemon.stand.key)
        if one is not None and one.daemon is daemon:
            one.progress.end()
            del self._watched[daemon.stand.key]

    @property
    def pages(self) -> dict[str, Callable[[], Answer]]:
        """What probes may ask for."""
        return {
            "/live": self._live,
            "/ready": self._ready,
            "/metrics": lambda: (200, CONTENT_TYPE, self._metrics.text()),
        }

    def sights(self) -> list[Sight]:
        """One for each stand."""
        return [one.sight() for one in self._watched.values()]

    def stuck(self) -> dict[str, list[str]]:
        """What stands still, by stand."""
        return {key: one.stuck for key, one in self._watched.items()}

    @property
    def status(self) -> str:
        """All stands on one line, for people."""
        shown = (
            f"{key} {one.daemon.stand.link.link.name.lower() if one.daemon.working else 'not at work'}"
            for key, one in self._watched.items()
        )
        return ", ".join(shown) or "no stand at work"

    async def run(self) -> None:
        """Looks once a second, or as often as the watchdog wants, until cancelled."""
        wants = self._manager.watchdog_s
        every = LOOK_S if wants is None else min(LOOK_S, wants / 2)
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(self.lag.run(), name="loop lag")
            tasks.create_task(self._count(), name="counting the outbox")
            while True:
                await asyncio.sleep(every)
                self.look()

    def look(self) -> None:
        """One look at everything; the watchdog is fed if nothing stands still."""
        for one in self._watched.values():
            one.stuck = one.progress.stuck() if one.daemon.working else []
        found = [f"{key}: {what}" for key, all_of in self.stuck().items() for what in all_of]
        if found:
            self._manager.unwell("; ".join(found))
        else:
            self._manager.well(self.status)
        self._judge_lag(self.lag.begin_window())

    def _judge_lag(self, worst: float) -> None:
        now = self._clock()
        if worst > LATE_S:
            if self._late_at is None:
                self._tell(f"the event loop was late by {worst:.1f} s, expected less than {LATE_S} s", active=True)
            self._late_at = now
        elif self._late_at is not None and now - self._late_at > IN_TIME_S:
            self._late_at = None
            self._tell(f"the event loop was in time for {IN_TIME_S:.0f} s", active=False)

    def _tell(self, text: str, *, active: bool) -> None:
        for one in self._watched.values():
            one.daemon.notice(Notice(Code.LOOP_LAG, active, text))

    async def _count(self) -> None:
        while True:
            for one in list(self._watched.values()):
                if one.daemon.working:
                    await one.count_outbox()
            await asyncio.sleep(OUTBOX_S)

    def _live(self) -> Answer:
        found = [f"{key}: {what}\n" for key, all_of in self.stuck().items() for what in all_of]
        return (503, PLAIN, "".join(found).encode()) if found else (200, PLAIN, b"live\n")

    def _ready(self) -> Answer:
        """Ready is a daemon that takes requests and keeps results; a device or broker that is away does not count."""
        works = {key for key, one in self._watched.items() if one.daemon.working}
        waits = sorted((self._expected | self._watched.keys()) - works)
        if not self._watched or waits:
            return 503, PLAIN, f"not at work: {', '.join(waits) or 'no stand'}\n".encode()
        return 200, PLAIN, b"ready\n"
