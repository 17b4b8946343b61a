"""The first signal is heard, the second ends the process."""

import asyncio
import os
import signal

import pytest

from daq.cli.signals import STOPS, on_stop


@pytest.mark.parametrize("number", STOPS)
async def test_the_first_is_heard_and_the_second_is_as_in_any_program(number: signal.Signals) -> None:
    before = {stop: signal.getsignal(stop) for stop in STOPS}
    heard = asyncio.Event()
    on_stop(heard.set)
    os.kill(os.getpid(), number)
    await heard.wait()
    found = {stop: signal.getsignal(stop) for stop in STOPS}
    for stop, handler in before.items():
        signal.signal(stop, handler)
    assert found == {signal.SIGINT: signal.default_int_handler, signal.SIGTERM: signal.SIG_DFL}
