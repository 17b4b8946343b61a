"""The daemons of one process as a service: started, watched, given new configurations, and stopped in time."""

import asyncio
import logging
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager

from daq.stand.errors import StandError
from daq.watch.clash import refuse_clashes
from daq.watch.keeper import Keeper, Loaded, Read
from daq.watch.log import Libraries, Record
from daq.watch.manager import Manager
from daq.watch.overseer import Overseer
from daq.watch.probe import Probe


class Service:
    """Some stands' daemons and what is around them. `stands` has for each its configuration, and how to read it again;
    `log` takes records; `probe` is the port for probes, None for none.

    Raises:
        StandError: two of them are one stand, or share what each must have for itself.
    """

    def __init__(
        self,
        stands: Sequence[tuple[Loaded, Read]],
        log: Callable[[Record], None],
        *,
        probe: int | None = None,
        manager: Manager | None = None,
    ) -> None:
        refuse_clashes([config for (config, _), _ in stands])
        self._log, self._port = log, probe
        self._manager = manager or Manager()
        self.overseer = Overseer(self._manager)
        alone = len(stands) == 1
        self.keepers = [Keeper(loaded, read, self.overseer, log, alone=alone) for loaded, read in stands]
        for keeper in self.keepers:
            self.overseer.expect(keeper.name)

    async def run(self, stop: asyncio.Event, reload: asyncio.Event) -> None:
        """Works until `stop`, or until no stand is left; each `reload` has the configurations read again.

        Raises:
            OverdueError: a daemon did not end in time.
            StandError: the port for probes is taken, or as `Keeper.run` says.
        """
        with self._libraries():
            probe = Probe(self.overseer.pages)
            beside = [
                asyncio.create_task(self.overseer.run(), name="overseer"),
                asyncio.create_task(self._say_ready(), name="ready"),
                asyncio.create_task(self._reloads(reload), name="reloads"),
                asyncio.create_task(self._say_stopping(stop), name="stopping"),
            ]
            try:
                await self._listen(probe)
                # Each to its end, however another one ends.
                ends = await asyncio.gather(*(keeper.run(stop) for keeper in self.keepers), return_exceptions=True)
                for error in ends:
                    if error is not None:
                        raise error
                self._log({"event": "stopped"})
            finally:
                for task in beside:
                    task.cancel()
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

    async def _say_ready(self) -> None:
        """Ready when every stand was tried and one is at work: one that fails does not hold up the others."""
        for keeper in self.keepers:
            await keeper.tried.wait()
        while not any(keeper.working for keeper in self.keepers):  # noqa: ASYNC110, a daemon says it to nobody
            await asyncio.sleep(0.1)
        self._manager.ready(self.overseer.status)

    async def _say_stopping(self, stop: asyncio.Event) -> None:
        await stop.wait()
        self._manager.stopping()

    async def _reloads(self, reload: asyncio.Event) -> None:
        while True:
            await reload.wait()
            reload.clear()
            self._manager.reloading()
            try:
                await self._reload()
            except Exception:
                logging.getLogger(__name__).exception("reading the configurations again failed; see what it says")
            self._manager.ready(self.overseer.status)

    async def _reload(self) -> None:
        read = await asyncio.gather(*(keeper.read_again() for keeper in self.keepers))
        try:
            refuse_clashes(
                [keeper.config if new is None else new[0] for keeper, new in zip(self.keepers, read, strict=True)]
            )
        except StandError as error:
            for keeper in self.keepers:
                keeper.refuse(str(error))
            return
        for keeper, new in zip(self.keepers, read, strict=True):
            if new is not None:
                keeper.take(new)
