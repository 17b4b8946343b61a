"""Ctrl-C and SIGTERM: the first is heard and things end in order, the second ends the process at once."""

import asyncio
import signal
from collections.abc import Callable

from daq.cli.output import note

STOPS = (signal.SIGINT, signal.SIGTERM)


def on_stop(hear: Callable[[], None]) -> None:
    """Has the running loop call `hear` at the first signal. A verdict that a full disk keeps from being stored may hold
    up an orderly end, so the second signal does what it does to any program; the next start then finds a run without an
    end, and closes it."""
    loop = asyncio.get_running_loop()

    def heard() -> None:
        for number in STOPS:
            loop.remove_signal_handler(number)
        note("stopping in order; once more ends at once, and a verdict that is not stored yet is lost")
        hear()

    for number in STOPS:
        loop.add_signal_handler(number, heard)
