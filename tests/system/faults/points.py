"""Named points at which a daemon kills itself, and spoiled parts of it, patched in from outside.

The product has no hooks for this: everything here replaces something in the process that is to die.
"""

import os
import signal
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from itertools import count
from pathlib import Path
from typing import Any, NoReturn

from paho.mqtt.client import Client as Wire

from daq.publish import mqtt, publisher
from daq.record import async_store, store
from daq.record.values import Message
from daq.stand import stand

STEP = timedelta(hours=1)


def die() -> NoReturn:
    """As when the power fails: nothing is closed, nothing is said."""
    os.kill(os.getpid(), signal.SIGKILL)
    raise AssertionError("killed, and still there")


class _Nth:
    """Lets through until it was asked for the nth time."""

    def __init__(self, nth: int) -> None:
        self._left = nth

    def __call__(self) -> None:
        self._left -= 1
        if self._left <= 0:
            die()


def before_commit(nth: int) -> None:
    """Result and message are written, the transaction is open."""
    now, real = _Nth(nth), store._finish

    def finish(*given: Any) -> Any:
        made = real(*given)
        now()
        return made

    store._finish = finish


def before_publish(nth: int) -> None:
    """Committed; the connection is about to be given the message."""
    now, real = _Nth(nth), mqtt.Connection.send

    async def send(self: mqtt.Connection, topic: str, payload: str, **how: Any) -> None:
        if topic.endswith("/result"):
            now()
        await real(self, topic, payload, **how)

    mqtt.Connection.send = send  # type: ignore[method-assign]


def before_acknowledgement(nth: int) -> None:
    """The broker has the message, and its acknowledgement is not taken up."""
    now, publish, acknowledged = _Nth(nth), Wire.publish, mqtt._Client._on_publish
    results: set[int] = set()

    def publishing(self: Wire, topic: str, *given: Any, **how: Any) -> Any:
        info = publish(self, topic, *given, **how)
        if topic.endswith("/result"):
            results.add(info.mid)
        return info

    def on_publish(self: Any, client: Any, userdata: Any, mid: int, *rest: Any) -> None:
        if mid in results:
            now()
        acknowledged(self, client, userdata, mid, *rest)

    Wire.publish = publishing  # type: ignore[method-assign]
    mqtt._Client._on_publish = on_publish  # type: ignore[method-assign]


def in_rename(nth: int) -> None:
    """The trace lies aside, whole: by turns just before and just after it gets its name."""
    now, real = _Nth(nth), Path.replace

    def replace(self: Path, target: Any) -> Path:
        if not str(target).endswith(".parquet"):
            return real(self, target)
        if nth % 2:
            now()
        done = real(self, target)
        if not nth % 2:
            now()
        return done

    Path.replace = replace  # type: ignore[method-assign]


def forgetful_outbox(_nth: int) -> None:
    """An outbox that is broken: it takes for sent what it has only handed out."""
    real = async_store.StandOutbox.unsent

    async def unsent(self: async_store.StandOutbox, limit: int) -> list[Message]:
        waiting = await real(self, limit)
        for message in waiting:
            await self.mark_sent(message.id, datetime.now(UTC))
        return waiting

    async_store.StandOutbox.unsent = unsent  # type: ignore[method-assign]


def gated(gate: Path) -> None:
    """Where `gate` is a file, a verdict that is about to be stored says so beside it, and waits until it is gone."""
    real = store.Store.finish_run

    def finish_run(self: store.Store, *given: Any) -> Any:
        if gate.exists():
            gate.with_suffix(".reached").touch()
            while gate.exists():
                time.sleep(0.005)
            gate.with_suffix(".reached").unlink()
        return real(self, *given)

    store.Store.finish_run = finish_run  # type: ignore[method-assign]


def stepping_clock(nth: int) -> None:
    """Wall time jumps an hour to and fro with every `nth` look at it."""
    looks = count()

    def now() -> datetime:
        return datetime.now(UTC) + (STEP if next(looks) // nth % 2 else -STEP)

    for module in (stand.Stand, publisher.Publisher):
        defaults = dict(module.__init__.__kwdefaults__ or {})
        module.__init__.__kwdefaults__ = {**defaults, "now": now}  # type: ignore[misc]


POINTS: dict[str, Callable[[int], None]] = {
    "before_commit": before_commit,
    "before_publish": before_publish,
    "before_acknowledgement": before_acknowledgement,
    "in_rename": in_rename,
}
SPOILED: dict[str, Callable[[int], None]] = {"outbox": forgetful_outbox, "clock": stepping_clock}
