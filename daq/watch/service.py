"""A daemon as a service: started, watched, given a new configuration between runs, and stopped in time."""

import asyncio
import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from daq.catalogue.errors import CatalogueError
from daq.catalogue.load import Catalogue
from daq.catalogue.stand_file import StandConfig
from daq.stand.daemon import Daemon, broker_of
from daq.stand.errors import StandError
from daq.stand.report import record
from daq.watch.log import Libraries, Record, Told
from daq.watch.manager import Manager
from daq.watch.overseer import Overseer
from daq.watch.probe import Probe
from drivers.device import Address, AddressError

STOP_WITHIN_S = 30.0
"""A stop stores the verdict of the run that it ends, for which a stand takes 15 s at most, and says goodbye in 2 s."""
GIVE_WAY_S = 5.0
IDLE_S = 0.1
"""So often a daemon that is to be replaced is asked whether its run is over."""

Loaded = tuple[StandConfig, Catalogue]


class OverdueError(StandError):
    """A daemon did not end when it had to."""


class Service:
    """One stand's daemon and what is around it. `read` reads the configuration again; `log` takes records; `probe` is
    the port for probes, None for none."""

    def __init__(
        self,
        config: StandConfig,
        catalogue: Catalogue,
        read: Callable[[], Loaded],
        log: Callable[[Record], None],
        *,
        probe: int | None = None,
        manager: Manager | None = None,
    ) -> None:
        self._config, self._catalogue = config, catalogue
        self._read, self._log, self._port = read, log, probe
        self._manager = manager or Manager()
        self.overseer = Overseer(self._manager)
        self.daemon: Daemon | None = None
        self._begun = False

    async def run(self, stop: asyncio.Event, reload: asyncio.Event) -> None:
        """Works until `stop`; each `reload` has the configuration read again.

        Raises:
            OverdueError: the daemon did not end in time.
            StandError: the port for probes is taken, or as `Daemon.run` says.
        """
        with self._libraries():
            probe = Probe(self.overseer.pages)
            watching = asyncio.create_task(self.overseer.run(), name="overseer")
            try:
                await self._listen(probe)
                while not stop.is_set():
                    await self._one(stop, reload)
                self._log({"event": "stopped"})
            finally:
                watching.cancel()
                await probe.close()

    @contextmanager
    def _libraries(self) -> Iterator[None]:
        handler, root = Libraries(self._log), logging.getLogger()
        root.addHandler(handler)
        try:
            yield
        finally:
            root.removeHandler(handler)

    async def _listen(self, probe: Probe) -> None:
        if self._port is None:
            return
        try:
            port = await probe.start(self._port)
        except OSError as error:
            raise StandError(
                f"port {self._port} of 127.0.0.1, for probes: expected a free one, found {error.strerror}; end what "
                "listens there, or name another one with --probe"
            ) from error
        self._log({"event": "probe", "url": f"http://127.0.0.1:{port}", "pages": list(self.overseer.pages)})

    async def _one(self, stop: asyncio.Event, reload: asyncio.Event) -> None:
        """One daemon, until it is to stop or to be replaced by one with another configuration."""
        config, ended = self._config, asyncio.Event()
        absolute = config.stand.channels.pressure.absolute_reference
        told = Told(f"{config.stand.site}/{config.stand.name}", self._log)

        def hear(said: Any) -> None:
            made = record(said, absolute)
            if made is not None:
                told(made)

        told({"event": "starting", "device": config.device, "broker": config.broker.url, "database": config.database})
        self.daemon = daemon = Daemon(config, self._catalogue, hear)
        self.overseer.watch(daemon)
        working = asyncio.create_task(daemon.run(ended), name="daemon")
        helping = [
            asyncio.create_task(self._say_ready(daemon), name="ready"),
            asyncio.create_task(self._reloads(reload, ended, told), name="reloads"),
        ]
        stopping = asyncio.create_task(stop.wait(), name="stop")
        replacing = asyncio.create_task(ended.wait(), name="replaced")
        try:
            await asyncio.wait({working, stopping, replacing}, return_when=asyncio.FIRST_COMPLETED)
            if stop.is_set():
                self._manager.stopping()
            ended.set()
            await self._end(working)
            if self._config is config:  # nothing takes its place: told to stop, or the device is gone for good
                stop.set()
        finally:
            self.overseer.leave(daemon)
            for task in (*helping, stopping, replacing):
                task.cancel()

    async def _say_ready(self, daemon: Daemon) -> None:
        while not daemon.working:  # noqa: ASYNC110, a daemon says it to nobody
            await asyncio.sleep(IDLE_S)
        self._manager.ready(self.overseer.status)

    async def _end(self, working: "asyncio.Task[None]") -> None:
        await asyncio.wait({working}, timeout=STOP_WITHIN_S)
        if not working.done():
            working.cancel()
            await asyncio.wait({working}, timeout=GIVE_WAY_S)
            raise OverdueError(
                f"the daemon was told to stop {STOP_WITHIN_S:.0f} s ago and has not; it is ended as it is. The next "
                "start closes what was under way; see the log for what held it up"
            )
        working.result()

    async def _reloads(self, reload: asyncio.Event, ended: asyncio.Event, told: Told) -> None:
        while True:
            await reload.wait()
            reload.clear()
            self._manager.reloading()
            try:
                # In a thread: a lease must be renewed while files are read and units worked out.
                config, catalogue = await asyncio.to_thread(self._read_checked)
            except (CatalogueError, StandError, AddressError) as error:
                told({"event": "reload_refused", "level": "error", "text": f"{error}; all stays as it was"})
                self._manager.ready(self.overseer.status)
                continue
            if config != self._config:
                await self._between_runs(told)
                self._config, self._catalogue = config, catalogue
                told({"event": "reloaded", "what": "stand and catalogue"})
                ended.set()
                return
            # A run keeps the part that it began with, so the catalogue may change under it.
            assert self.daemon is not None, "there is a daemon while its configuration is read again"
            self._catalogue = self.daemon.stand.catalogue = catalogue
            told({"event": "reloaded", "what": "catalogue"})
            self._manager.ready(self.overseer.status)

    def _read_checked(self) -> Loaded:
        config, catalogue = self._read()
        before = self._config.stand
        if (config.stand.site, config.stand.name) != (before.site, before.name):
            raise StandError(
                f"{config.path}: expected the stand {before.site}/{before.name}, whose daemon this is, found "
                f"{config.stand.site}/{config.stand.name}; start another daemon for it"
            )
        broker_of(config)
        Address.parse(config.device)
        return config, catalogue

    async def _between_runs(self, told: Told) -> None:
        assert self.daemon is not None, "there is a daemon while its configuration is read again"
        stand = self.daemon.stand
        if stand.busy:
            told({"event": "reload_waits", "text": "a run is under way; the new configuration is for the next one"})
        while stand.busy:  # noqa: ASYNC110, three things make a stand busy
            await asyncio.sleep(IDLE_S)
