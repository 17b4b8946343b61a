"""Keeps one stand's daemon at work: begins it, begins it again where it failed, replaces it by one of a new
configuration."""

import asyncio
import time
import traceback
from collections.abc import Callable
from typing import Any

from daq.catalogue.errors import CatalogueError
from daq.catalogue.load import Catalogue
from daq.catalogue.stand_file import StandConfig
from daq.publish.backoff import BackOff
from daq.record.errors import DatabaseUnreachableError
from daq.stand.daemon import Daemon, broker_of
from daq.stand.errors import StandError
from daq.stand.report import record
from daq.watch.log import ABOUT, Record, Told
from daq.watch.overseer import Overseer
from daq.watch.trouble import EXPECTED, restarted, words
from drivers.block import Link, LinkChange
from drivers.device import Address, AddressError

STOP_WITHIN_S = 30.0
"""A stop stores the verdict of the run that it ends, for which a stand takes 15 s at most, and says goodbye in 2 s."""
GIVE_WAY_S = 5.0
IDLE_S = 0.1
"""So often a daemon that is to be replaced is asked whether its run is over."""
FIRST_WAIT_S, LONGEST_WAIT_S = 1.0, 60.0
"""Between two attempts at a stand that fails; what worked for longer than the longest begins with the first again."""
Loaded = tuple[StandConfig, Catalogue]
Read = Callable[[], Loaded]


class OverdueError(StandError):
    """A daemon did not end when it had to."""


class Keeper:
    """One stand. `read` reads its configuration again; where it is `alone` in this process, what fails ends it, but for
    a database server that does not answer, which is waited for. `tried`
    is set once its daemon is at work or has failed."""

    def __init__(
        self, loaded: Loaded, read: Read, overseer: Overseer, log: Callable[[Record], None], *, alone: bool
    ) -> None:
        self._loaded, self._read = loaded, read
        self._overseer, self._log, self._alone = overseer, log, alone
        self._before: Loaded | None = None
        self._next: Loaded | None = None
        self._told = Told(self.name, log)
        self._another, self._hurry = asyncio.Event(), asyncio.Event()
        self._failures, self._trouble = 0, ""
        self.tried = asyncio.Event()
        self.daemon: Daemon | None = None

    @property
    def config(self) -> StandConfig:
        """What it works by."""
        return self._loaded[0]

    @property
    def name(self) -> str:
        """Site and stand."""
        return f"{self.config.stand.site}/{self.config.stand.name}"

    @property
    def working(self) -> bool:
        """Whether runs can be asked for."""
        return self.daemon is not None and self.daemon.working

    async def run(self, stop: asyncio.Event) -> None:
        """Works until `stop`, or until the device is gone for good.

        Raises:
            OverdueError: the daemon did not end in time.
            StandError, RecordError, DriverError: as `Daemon.run` says, where the stand is alone.
        """
        ABOUT.set(self.name)
        try:
            await self._keep(stop)
        finally:
            if self.daemon is not None:
                self._overseer.leave(self.daemon)

    async def _keep(self, stop: asyncio.Event) -> None:
        waits = BackOff(FIRST_WAIT_S, LONGEST_WAIT_S)
        while not stop.is_set():
            began = time.monotonic()
            try:
                await self._one(stop)
                if self._next is None:  # nothing takes its place
                    return
            except Exception as error:
                overdue = isinstance(error, OverdueError)  # who knows what it still holds
                if not (overdue or stop.is_set()) and self._undone(error):
                    continue
                ends = self._alone and not isinstance(error, DatabaseUnreachableError)  # a server may come yet
                if ends or (overdue and stop.is_set()):
                    raise
                if stop.is_set():
                    self._say("stand_failed", error, "; it was to stop anyway")
                    return
                if time.monotonic() - began > LONGEST_WAIT_S:
                    waits.reset()
                await self._pause(waits.wait(), error, stop)

    def _undone(self, error: Exception) -> bool:
        """Whether this was a new configuration whose device has never answered; then the one from before counts
        again."""
        if self._before is None:
            return False
        self._loaded, self._before = self._before, None
        self._say("reload_undone", error, "; the configuration from before counts again")
        return True

    async def _pause(self, seconds: float, error: Exception, stop: asyncio.Event) -> None:
        then = "it is tried again" if self._alone else "the other stands go on"
        self._say("stand_failed", error, f"; {then}", again_s=seconds)
        self._failures, self._trouble = self._failures + 1, words(error)
        self.tried.set()
        self._hurry.clear()
        await _first(seconds, stop, self._another, self._hurry)

    def _say(self, event: str, error: Exception, what: str, **more: Any) -> None:
        made = {"event": event, "level": "error", "text": f"{words(error)}{what}", **more}
        if not isinstance(error, EXPECTED):
            made["trace"] = "".join(traceback.format_exception(error))
        self._told(made)

    async def _one(self, stop: asyncio.Event) -> None:
        """One daemon, until it is to stop or to be replaced by one with another configuration."""
        self._change()
        config, catalogue = self._loaded
        ended = asyncio.Event()
        told = self._told = Told(self.name, self._log)
        absolute = config.stand.channels.pressure.absolute_reference

        def hear(said: Any) -> None:
            if isinstance(said, LinkChange) and said.link is Link.UP:
                self._before = None
            made = record(said, absolute)
            if made is not None:
                told(made)

        told({"event": "starting", "device": config.device, "broker": config.broker.url, "database": config.database})
        self.daemon = daemon = Daemon(config, catalogue, hear)
        self._overseer.watch(daemon)
        if self._failures:
            for listen in (daemon.voice.hear, hear):
                listen(restarted(self.name, self._failures, self._trouble))
        working = asyncio.create_task(daemon.run(ended), name=f"daemon {self.name}")
        beside = [
            asyncio.create_task(self._note_work(daemon), name="at work"),
            (changing := asyncio.create_task(self._changing(daemon), name="another configuration")),
        ]
        try:
            await _first(None, stop, changing, working)
            ended.set()
            await _end(working)
        finally:
            for task in beside:
                task.cancel()

    async def _note_work(self, daemon: Daemon) -> None:
        while not daemon.working:  # noqa: ASYNC110, a daemon says it to nobody
            await asyncio.sleep(IDLE_S)
        self.tried.set()

    async def _changing(self, daemon: Daemon) -> None:
        """Returns when there is another configuration and no run under way."""
        told = False
        while self._next is None or (daemon.working and daemon.stand.busy):
            if self._next is None:
                told = False
                await self._another.wait()
                continue
            if not told:
                text = "a run is under way; the new configuration is for the next one"
                self._told({"event": "reload_waits", "text": text})
                told = True
            await asyncio.sleep(IDLE_S)

    def _change(self) -> None:
        self._another.clear()
        if self._next is not None:
            self._before, self._loaded, self._next = self._loaded, self._next, None
            self._told({"event": "reloaded", "what": "stand and catalogue"})

    async def read_again(self) -> Loaded | None:
        """What its files say now; None, and told, where that cannot be worked by."""
        try:
            # In a thread: a lease must be renewed while files are read and units worked out.
            return await asyncio.to_thread(self._read_checked)
        except (CatalogueError, StandError, AddressError) as error:
            self.refuse(str(error))
            return None

    def refuse(self, why: str) -> None:
        """Tells that a new configuration is not taken."""
        self._told({"event": "reload_refused", "level": "error", "text": f"{why}; all stays as it was"})

    def _read_checked(self) -> Loaded:
        config, catalogue = self._read()
        if (config.stand.site, config.stand.name) != (self.config.stand.site, self.config.stand.name):
            raise StandError(
                f"{config.path}: expected the stand {self.name}, whose daemon this is, found "
                f"{config.stand.site}/{config.stand.name}; start another daemon for it"
            )
        broker_of(config)
        Address.parse(config.device)
        return config, catalogue

    def take(self, loaded: Loaded) -> None:
        """Has a new configuration count: its parts at once, another stand from the end of the run under way on."""
        broker = None if self.daemon is None else self.daemon.broker
        # A password lies in a file of its own, and may be another although the stand's file is the same.
        if loaded[0] != self.config or (broker is not None and broker != broker_of(loaded[0])):
            self._next = loaded
            self._another.set()
            return
        # A run keeps the part that it began with, so the catalogue may change under it.
        self._loaded, self._next = loaded, None
        self._another.clear()
        self._hurry.set()  # whoever has just mended something says so by a reload
        if self.daemon is not None:
            self.daemon.stand.catalogue = loaded[1]
            self.daemon.hurry()
        self._told({"event": "reloaded", "what": "catalogue"})


async def _end(working: "asyncio.Task[None]") -> None:
    await asyncio.wait({working}, timeout=STOP_WITHIN_S)
    if not working.done():
        working.cancel()
        await asyncio.wait({working}, timeout=GIVE_WAY_S)
        raise OverdueError(
            f"the daemon was told to stop {STOP_WITHIN_S:.0f} s ago and has not; it is ended as it is. The next "
            "start closes what was under way; see the log for what held it up"
        )
    working.result()


async def _first(seconds: float | None, *what: "asyncio.Event | asyncio.Task[None]") -> None:
    """Returns when one of them happened, or the time is over."""
    waiting = [asyncio.create_task(one.wait()) for one in what if isinstance(one, asyncio.Event)]
    tasks = [one for one in what if isinstance(one, asyncio.Task)]
    try:
        await asyncio.wait((*waiting, *tasks), timeout=seconds, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for task in waiting:
            task.cancel()
