"""The daemon's log: one JSON object a line with time, level, stand, run and event, or the same for a person's eyes."""

import logging
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from contextvars import ContextVar
from typing import Any

import structlog

from daq.watch.limit import Limit

Record = dict[str, Any]
FLAPPING = frozenset({"alarm", "notice", "link", "device", "log"})
"""Events that a loose plug or a broker at odds may cause without end. What belongs to a run is never kept back."""
ABOUT: ContextVar[str | None] = ContextVar("stand", default=None)
"""The stand that the task at work belongs to, for whoever speaks in Python's own way."""
LEVELS = {"stop": "error", "warn": "warning"}


def level_of(record: Record) -> str:
    """The level of a record: an alarm's by its severity, a trouble that begins is a warning, all else tells."""
    if "level" in record:
        return str(record["level"])
    if record["event"] == "alarm":
        return LEVELS.get(str(record.get("severity")), "warning")
    return "warning" if record["event"] == "notice" and record.get("active") else "info"


class Log:
    """Writes records on standard output. What cannot be written, as on a full disk, keeps no verdict from being stored;
    `unread` is called where whoever read it has gone away.

    `clock` gives seconds, for the limit on how often the same is said.
    """

    def __init__(
        self, *, as_json: bool, unread: Callable[[], None], clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._logger = _logger(as_json)
        self._unread = unread
        self._limit: Limit[tuple[str, str | None, str | None]] = Limit(clock)

    def __call__(self, record: Record) -> None:
        """Writes a record, which has an `event`; first how many were kept back, where their time is over."""
        for (what, stand, about), number in self._limit.over():
            told = {"event": "kept_back", "level": "warning", "stand": stand, "what": what, "about": about}
            self._write({**told, "number": number})
        kind = (record["event"], record.get("stand"), record.get("code") or record.get("logger"))
        if record["event"] not in FLAPPING or self._limit.take(kind):
            self._write(record)

    def _write(self, record: Record) -> None:
        with suppress(OSError):
            try:
                self._logger.info(**{"level": level_of(record), **record})
                sys.stdout.flush()
            except BrokenPipeError:
                self._unread()


class Libraries(logging.Handler):
    """Takes what libraries, and mistakes of ours, say in Python's own way into the same log."""

    def __init__(self, log: Callable[[Record], None]) -> None:
        super().__init__(logging.WARNING)
        self._log = log

    def emit(self, record: logging.LogRecord) -> None:
        told = {"event": "log", "level": record.levelname.lower(), "logger": record.name, "text": record.getMessage()}
        if (stand := ABOUT.get()) is not None:
            told["stand"] = stand
        if record.exc_info:
            told["trace"] = logging.Formatter().formatException(record.exc_info)
        self._log(told)


class Told:
    """Adds to the records of one stand which stand and run they belong to: the run under way, or none."""

    def __init__(self, stand: str, log: Callable[[Record], None]) -> None:
        self._stand, self._log = stand, log
        self._run: str | None = None

    def __call__(self, record: Record) -> None:
        if record["event"] == "run_begun":
            self._run = record["run"]
        self._log({"stand": self._stand, "run": self._run, **record})
        if record["event"] == "run_finished" and record.get("run") == self._run:
            self._run = None


def _logger(as_json: bool) -> Any:
    renderer: Any = structlog.processors.JSONRenderer(ensure_ascii=False)
    if sys.stdout.isatty() and not as_json:
        renderer = structlog.dev.ConsoleRenderer()
    return structlog.wrap_logger(
        structlog.WriteLogger(sys.stdout),
        processors=[structlog.processors.TimeStamper(fmt="iso", utc=True), renderer],
    )
