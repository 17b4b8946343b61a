"""Stays connected for one stand: states, live values, the outbox, and requests coming in.

The daemon hands things over and goes on; whether the broker is there concerns only the tasks in here.
"""

import asyncio
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Protocol

from daq.publish.backoff import BackOff
from daq.publish.contract import Heartbeat, Link, Presence, Status, text
from daq.publish.contract.result import CONTENT_TYPE
from daq.publish.conversation import Conversation
from daq.publish.desk import Desk
from daq.publish.errors import BrokerError, BrokerRefusesError, RefusedError
from daq.publish.mqtt import JSON, Broker, Connection, Will, connect, taken_over
from daq.publish.notices import Code, Notices, Notify
from daq.publish.topics import Topics
from daq.record.errors import RecordError
from daq.record.values import Message

STATUS = "status"
_AT_ONCE = 20
_THROWN_OUT = 3
"""A broker that lets us in so often, and throws us out within moments each time, has another client of our name. Some
close the connection of the one before without a word."""
_UNKNOWN: dict[str, object] = {"waiting": None, "waiting_since": None}
"""What waits, where nobody looks."""


@dataclass(frozen=True, slots=True)
class Timing:
    """Seconds. A PLC takes a heartbeat gone for 3 s as a daemon gone, so `heartbeat` is one; `live` caps at 10 in one.

    A connection counts as good again after `steady`. Where the broker refuses us or a message somebody has to mend
    that: the next attempt comes after `refused`, each further one after twice the wait, up to `longest_refused`.
    `again` is the wait after a trouble with the database; `goodbye` the longest that a clean stop may wait for the
    broker; `backlog` the time between two looks at what waits, so that a thousand records that drain are not a thousand
    states.
    """

    heartbeat: float = 1.0
    live: float = 0.1
    first_wait: float = 0.5
    longest_wait: float = 30.0
    steady: float = 10.0
    refused: float = 60.0
    longest_refused: float = 600.0
    again: float = 10.0
    goodbye: float = 2.0
    backlog: float = 5.0


class Outbox(Protocol):
    """What must arrive, in order."""

    async def unsent(self, limit: int) -> list[Message]:
        """The oldest that wait."""
        ...

    async def mark_sent(self, message: int, time: datetime) -> None:
        """The broker has acknowledged it."""
        ...

    async def backlog(self) -> tuple[int, datetime | None]:
        """How many wait, and since when the oldest does."""
        ...

    async def changed(self) -> None:
        """Returns when something was added since it returned last."""
        ...


def _utc_now() -> datetime:
    return datetime.now(UTC)


class Publisher:
    """One stand's voice. `run` until `stop`; everything else may be called at any time, from the loop's thread."""

    def __init__(
        self,
        broker: Broker,
        topics: Topics,
        status: Status,
        *,
        outbox: Outbox,
        desk: Desk,
        notify: Notify,
        timing: Timing = Timing(),
        now: Callable[[], datetime] = _utc_now,
    ) -> None:
        self._broker = broker
        self._topics = topics
        self._outbox = outbox
        self._notices = Notices(notify)
        self._conversation = Conversation(topics, desk, self._notices)
        self._timing = timing
        self._now = now
        self._status = status
        self._backlog: dict[str, object] = {}
        self._states: dict[str, str] = {STATUS: text(status)}
        self._only_cleared: set[str] = set()
        self._changed_states: set[str] = set()
        self._refused_states: set[str] = set()
        self._record_refused = False
        self._states_changed = asyncio.Event()
        self._live: str | None = None
        self._live_changed = asyncio.Event()
        self._beat = 0
        self._stopping = asyncio.Event()
        self._hurry = asyncio.Event()
        self.connected = self._let_in = False

    def set_status(self, status: Status) -> None:
        """Says how the daemon is; the will and the goodbye follow from it."""
        self._status = status.model_copy(update=self._backlog)
        self.set_state(STATUS, text(self._status))

    def set_state(self, name: str, payload: str) -> None:
        """Replaces a retained state. Only the newest is sent, and sent again at every connect; empty clears it. What
        was never anything but empty is cleared once, since it may be left from before a restart, and then forgotten."""
        if not payload and name not in self._states:
            self._only_cleared.add(name)
        elif payload:
            self._only_cleared.discard(name)
        self._states[name] = payload
        self._changed_states.add(name)
        self._states_changed.set()

    def live(self, payload: str) -> None:
        """Replaces what is sent next as live values; while there is no connection it is dropped."""
        self._live = payload
        self._live_changed.set()

    def stop(self) -> None:
        """Lets `run` say goodbye and end."""
        self._stopping.set()

    def hurry(self) -> None:
        """Tries at once what the broker has refused, or where it was away: somebody has mended something."""
        self._hurry.set()
        self._hurry = asyncio.Event()

    async def run(self) -> None:
        """Connects, and again whenever the connection breaks, until `stop`. Raises only what is a mistake of ours."""
        async with asyncio.TaskGroup() as tasks:
            # Outlives a connection: a command that is being carried out must not be cut off when the broker goes.
            serving = tasks.create_task(self._conversation.serve(), name="requests")
            await self._stay_connected()
            serving.cancel()

    async def _stay_connected(self) -> None:
        away = BackOff(self._timing.first_wait, self._timing.longest_wait)
        shut_out = BackOff(self._timing.refused, self._timing.longest_refused)
        thrown_out = 0
        while not self._stopping.is_set():
            began, hurry = time.monotonic(), self._hurry
            trouble = await self._connect_once()
            if trouble is None:
                return
            brief = self._let_in and time.monotonic() - began <= self._timing.steady
            thrown_out = thrown_out + 1 if brief else 0
            if thrown_out >= _THROWN_OUT:
                trouble = taken_over(self._broker, self._topics.client_id)
            self._notices.trouble(Code.BROKER, f"{trouble}. Results wait in the database")
            if time.monotonic() - began > self._timing.steady:
                away.reset()
                shut_out.reset()
            if isinstance(trouble, BrokerRefusesError):
                await self._pause(shut_out, hurry)
            else:
                await self._pause(away, hurry)

    async def _connect_once(self) -> BrokerError | None:
        """One connection from beginning to end; what broke it, None after a clean stop."""
        trouble: BrokerError | None = None
        self._let_in = False
        try:
            async with connect(self._broker, self._topics.client_id, self._will()) as connection:
                self.connected = self._let_in = True
                self._notices.over(Code.BROKER, f"broker {self._broker.where}: connected")
                await self._session(connection)
        except* BrokerError as group:
            trouble = _first(group)
        finally:
            self.connected = False
        return trouble

    async def _session(self, connection: Connection) -> None:
        self._changed_states = set(self._states)
        self._states_changed.set()
        self._live = None
        talk, subscribed = self._conversation, asyncio.Event()
        jobs = (
            talk.receive(connection),
            self._ask_for_requests(connection, subscribed),
            talk.answer(connection),
            self._send_states(connection, subscribed),
            self._offer_states_again(),
            self._send_live(connection),
            self._send_beat(connection),
            self._drain(connection),
            self._look_at_backlog(),
        )
        broken = False
        try:
            async with asyncio.TaskGroup() as group:
                tasks = [group.create_task(job) for job in jobs]
                await self._stopping.wait()
                for task in tasks:
                    task.cancel()
            await self._send_last(connection)
        except* BrokerError:
            broken = True
            raise
        finally:
            # Also where the daemon ends by an error: disconnecting drops the will, and "online" would stand for ever.
            if not broken:
                await self._say_goodbye(connection)

    async def _ask_for_requests(self, connection: Connection, subscribed: asyncio.Event) -> None:
        """`subscribed` is set once requests can come in, or the broker has said that they will not."""
        refused = BackOff(self._timing.refused, self._timing.longest_refused)
        hurry = self._hurry
        while not await self._conversation.subscribe(connection):
            subscribed.set()
            await self._pause(refused, hurry)
            hurry = self._hurry
        subscribed.set()

    async def _send_states(self, connection: Connection, subscribed: asyncio.Event) -> None:
        # Who reads that the stand is ready may ask for a start at once; nobody would hear it before.
        await subscribed.wait()
        while True:
            await self._states_changed.wait()
            self._states_changed.clear()
            while self._changed_states:
                name = min(self._changed_states, key=self._turn)
                self._changed_states.discard(name)
                await self._send_state(connection, name)

    async def _offer_states_again(self) -> None:
        refused = BackOff(self._timing.refused, self._timing.longest_refused)
        while True:
            await self._pause(refused, self._hurry)
            if self._refused_states:
                self._changed_states |= self._refused_states
                self._states_changed.set()
            else:
                refused.reset()

    def _turn(self, name: str) -> tuple[bool, bool, str]:
        """Status first: whoever sees another state then knows that the daemon is there. What is cleared comes last."""
        return name != STATUS, not self._states[name], name

    async def _send_state(self, connection: Connection, name: str) -> None:
        payload = self._states[name]
        try:
            await connection.send(self._topics.of(name), payload, retain=True)
            self._refused_states.discard(name)
            self._forget(name)
        except RefusedError as error:
            if payload:  # what may not be written there needs no clearing
                self._refused_states.add(name)
                self._notices.trouble(Code.PUBLISH_REFUSED, str(error))
            else:
                self._forget(name)
        self._see_that_all_is_taken()

    def _forget(self, name: str) -> None:
        if name in self._only_cleared:
            self._only_cleared.discard(name)
            del self._states[name]

    def _see_that_all_is_taken(self) -> None:
        if not (self._refused_states or self._record_refused):
            self._notices.over(Code.PUBLISH_REFUSED, "messages are taken again")

    async def _send_live(self, connection: Connection) -> None:
        while True:
            await self._live_changed.wait()
            self._live_changed.clear()
            payload, self._live = self._live, None
            if payload is not None:
                await connection.send_unacknowledged(self._topics.of("live"), payload)
                await asyncio.sleep(self._timing.live)

    async def _send_beat(self, connection: Connection) -> None:
        while True:
            await connection.send_unacknowledged(self._topics.of("heartbeat"), text(Heartbeat(n=self._beat)))
            self._beat = (self._beat + 1) % 65536
            await asyncio.sleep(self._timing.heartbeat)

    async def _drain(self, connection: Connection) -> None:
        refused = BackOff(self._timing.refused, self._timing.longest_refused)
        while True:
            hurry = self._hurry
            try:
                if await self._send_waiting(connection):
                    refused.reset()
                else:
                    await self._outbox.changed()
            except RefusedError as error:
                self._record_refused = True
                self._notices.trouble(Code.PUBLISH_REFUSED, f"{error}. It is tried again; what comes after it waits")
                await self._pause(refused, hurry)
            except RecordError as error:
                self._notices.trouble(Code.OUTBOX, f"{error}. It is tried again; what comes after it waits")
                await asyncio.sleep(self._timing.again)

    async def _look_at_backlog(self) -> None:
        while True:
            try:
                number, oldest = await self._outbox.backlog()
                self._backlog = {"waiting": number, "waiting_since": oldest}
            except RecordError:  # whoever sends the records meets it too, and tells it
                self._backlog = dict(_UNKNOWN)
            if self._status != self._status.model_copy(update=self._backlog):
                self.set_status(self._status)
            await asyncio.sleep(self._timing.backlog)

    async def _send_waiting(self, connection: Connection) -> bool:
        """Sends some of what waits, one in flight; whether there was any."""
        waiting = await self._outbox.unsent(_AT_ONCE)
        for message in waiting:
            content_type = CONTENT_TYPE if message.topic == "result" else JSON
            await connection.send(self._topics.of(message.topic), message.payload, content_type=content_type)
            await self._outbox.mark_sent(message.id, self._now())
            self._record_refused = False
            self._see_that_all_is_taken()
            self._notices.over(Code.OUTBOX, "the record answers again")
        return bool(waiting)

    async def _send_last(self, connection: Connection) -> None:
        """What came last, such as the run that the stop has ended, goes out before the goodbye; where the broker is too
        slow for that it waits for the next start."""
        with suppress(RefusedError, RecordError, TimeoutError):
            async with asyncio.timeout(self._timing.goodbye):
                for name in sorted(self._states, key=self._turn):
                    if self._states[name] or name in self._changed_states:
                        await self._send_state(connection, name)
                while await self._send_waiting(connection):
                    pass

    async def _say_goodbye(self, connection: Connection) -> None:
        gone = self._status.model_copy(
            update={"state": Presence.OFFLINE, "since": self._now(), "link": Link.DOWN, **_UNKNOWN}
        )
        try:
            async with asyncio.timeout(self._timing.goodbye):
                await connection.send(self._topics.of(STATUS), text(gone), retain=True)
        except (RefusedError, BrokerError, TimeoutError) as error:
            self._notices.once(Code.BROKER, f"broker {self._broker.where}: could not say goodbye: {error}")

    def _will(self) -> Will:
        """`since` is when the connection was made that was lost: the broker does not write times."""
        lost = self._status.model_copy(
            update={"state": Presence.LOST, "since": self._now(), "link": Link.DOWN, **_UNKNOWN}
        )
        return Will(self._topics.of(STATUS), text(lost))

    async def _pause(self, waits: BackOff, hurry: asyncio.Event) -> None:
        """Waits for as long as it is told, but not beyond a `stop`, nor a `hurry` since the event was looked up, with
        which waits begin anew."""
        waiting = [asyncio.create_task(event.wait()) for event in (self._stopping, hurry)]
        try:
            await asyncio.wait(waiting, timeout=waits.wait(), return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in waiting:
                task.cancel()
        if hurry.is_set():
            waits.reset()


def _first(group: BaseExceptionGroup[BrokerError]) -> BrokerError:
    error: BaseException = group
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    assert isinstance(error, BrokerError)
    return error
