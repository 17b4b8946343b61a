"""What the line does with verdicts that are there: it acknowledges them, and has them sent again."""

from collections.abc import Callable
from datetime import UTC, datetime

from daq.record.async_store import AsyncStore
from daq.record.errors import UnknownRunError
from daq.record.store import Store
from daq.record.values import stand_key
from daq.stand.errors import RefusedError
from daq.stand.said import Finished, Said
from daq.stand.stand import Stand


class Line:
    """The verdicts of one stand, for the controller of its line. With `must_acknowledge` the stand takes no start while
    the newest one is not acknowledged, a restart or not; so the controller cannot miss one."""

    def __init__(
        self,
        stand: Stand,
        store: AsyncStore,
        *,
        must_acknowledge: bool,
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:
        self._stand, self._store, self._now = stand, store, now
        self._site, self._name = stand.config.stand.site, stand.config.stand.name
        self._must = must_acknowledge
        self._newest = 0

    async def begin(self) -> None:
        """Looks up what was acknowledged before this start of the daemon.

        Raises:
            RecordError: the database does not answer.
        """
        if self._must:
            waits = await self._store.ask(Store.unacknowledged, self._site, self._name)
            self._stand.hold(waits is not None)

    def hear(self, said: Said) -> None:
        """Listens to the stand."""
        if isinstance(said, Finished):
            self._newest = said.data.seq
            if self._must:
                self._stand.hold(True)

    async def acknowledge(self, seq: int) -> str:
        """The verdict with this seq was read; gives its run. One that was acknowledged before stays so.

        Raises:
            RefusedError: there is no such verdict.
            RecordError: it could not be noted.
        """
        try:
            run = await self._store.ask(Store.acknowledge, self._site, self._name, seq, self._now())
        except UnknownRunError as error:
            raise RefusedError(str(error), ("no_such_verdict",)) from error
        if self._must and seq >= self._newest:
            waits = await self._store.ask(Store.unacknowledged, self._site, self._name)
            self._stand.hold(waits is not None)
        return run

    async def send_again(self, from_seq: int) -> None:
        """The records from this seq on go out once more, as they were, before whatever is younger.

        Raises:
            RefusedError: there are none.
            RecordError: the database does not answer.
        """
        outbox = self._store.outbox(stand_key(self._site, self._name))
        try:
            await outbox.send_again(self._site, self._name, from_seq)
        except UnknownRunError as error:
            raise RefusedError(str(error), ("no_such_verdict",)) from error
