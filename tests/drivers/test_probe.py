"""Asking at a port who is there: at which rate a stand answers, and what is said of everything else."""

import asyncio
import os
import tty
from collections.abc import Iterator
from dataclasses import replace

import pytest

from drivers.device import PortError
from drivers.link import frames
from drivers.probe import Answer, Patience, address, is_text, probe
from simulator.adapter import serve_pty
from simulator.rig import Rig
from simulator.scenario import load_scenario
from tests.drivers.stand import Stand

QUICK = Patience(0.1, 0.05)


class Tuned:
    """A stand behind a line that is understood at one rate only; at others the line gives `noise`."""

    def __init__(self, rate: int, noise: bytes = b"") -> None:
        self.stand, self.rate, self.noise = Stand(), rate, noise
        self.tuned: list[int] = []
        self.closed = False

    def open(self, path: str, baud: int) -> "Tuned":
        self.tuned.append(baud)
        return self

    def retune(self, baud: int) -> None:
        self.tuned.append(baud)

    async def read(self) -> bytes | None:
        await asyncio.sleep(0.01)
        if self.tuned[-1] == self.rate:
            return await self.stand.read()
        if not self.noise:
            await asyncio.sleep(1.0)
        return self.noise

    async def write(self, data: bytes) -> None:
        if self.tuned[-1] == self.rate:
            await self.stand.write(data)

    async def close(self) -> None:
        self.closed = True


@pytest.mark.parametrize("rate", [250_000, 115_200, 500_000, 1_000_000])
async def test_a_stand_is_found_at_each_usual_rate_without_opening_the_port_twice(rate: int) -> None:
    line = Tuned(rate, noise=b"\x81\xfe\x00")
    answer = await probe("/dev/ttyACM0", opener=line.open, patience=QUICK)
    assert (answer.baud, answer.identity) == (rate, line.stand.identity)
    assert line.tuned == [250_000, 115_200, 500_000, 1_000_000][: len(line.tuned)]
    assert line.tuned[-1] == rate
    assert line.closed


async def test_nothing_but_the_question_is_sent() -> None:
    line = Tuned(250_000)
    await probe("/dev/ttyACM0", opener=line.open, patience=QUICK)
    assert {type(frame) for frame in line.stand.heard} == {frames.Identify}


async def test_a_silent_port() -> None:
    line = Tuned(0)
    assert await probe("/dev/ttyS0", opener=line.open, patience=QUICK) == Answer(why="silent")
    assert line.closed


async def test_a_port_with_something_else_behind_it() -> None:
    answer = await probe("/dev/ttyS0", opener=Tuned(0, noise=b"\x81\xfe\x00").open, patience=QUICK)
    assert (answer.identity, answer.text) == (None, False)
    assert answer.why.endswith("bytes came that are no stand link")


async def test_a_board_that_prints_lines() -> None:
    lines = b"time [s], pressure [kPa]\r\n0.00, 1.2\r\n0.02, 1.3\r\n0.04, 1.2\r\n"
    answer = await probe("/dev/ttyUSB0", opener=Tuned(0, noise=lines).open, patience=QUICK)
    assert answer == Answer(250_000, text=True)


@pytest.mark.parametrize(
    ("heard", "text"),
    [
        (b"1.2\r\n1.3\r\n1.4\r\n", True),
        (b"1.2\r\n1.3\r\n", False),  # too few lines to be sure
        (b"", False),
        (bytes(range(256)) * 3, False),
        (b"1.2\n1.3\n1.4\n" + b"\xff" * 3, False),  # more than 5 % of it is no text
    ],
)
def test_what_counts_as_text(heard: bytes, text: bool) -> None:
    assert is_text(heard) is text


async def test_a_device_of_another_version() -> None:
    """A host that finds another number than 1 reads no further."""
    line = Tuned(250_000)
    line.stand.identity = replace(line.stand.identity, protocol=2)
    answer = await probe("/dev/ttyACM0", opener=line.open, patience=QUICK)
    assert answer.identity is None
    assert "speaks version 2 of the stand link, expected version 1" in answer.why


async def test_a_port_that_cannot_be_opened() -> None:
    answer = await probe("/nonexistent/port")
    assert "there is no such device" in answer.why


async def test_a_port_that_goes_meanwhile() -> None:
    line = Tuned(0, noise=b"")

    async def gone() -> bytes:
        return b""

    line.read = gone  # type: ignore[method-assign]
    assert "the line is gone" in (await probe("/dev/ttyACM0", opener=line.open, patience=QUICK)).why


async def test_a_rate_that_the_port_does_not_have() -> None:
    line = Tuned(0)

    def refuse(baud: int) -> None:
        raise PortError(f"cannot go on at {baud} baud")

    line.retune = refuse  # type: ignore[method-assign]
    assert (await probe("/dev/ttyS0", opener=line.open, patience=QUICK)).why == "cannot go on at 115200 baud"


@pytest.fixture
def nobody() -> Iterator[str]:
    """A pseudo-terminal at whose other end nobody answers."""
    near, far = os.openpty()
    tty.setraw(far)
    yield os.ttyname(far)
    os.close(near)
    os.close(far)


async def test_real_ports_are_tuned_and_given_back(nobody: str) -> None:
    assert (await probe(nobody, patience=QUICK)).why == "silent"
    line, running = await serve_pty(Rig(load_scenario("depot"), "good-pump"))
    path = line.address.removeprefix("serial://")
    for _ in range(2):  # given back, it can be asked again
        answer = await probe(path)
        assert answer.identity is not None
        assert answer.identity.firmware == "1.0.0"
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)
    await line.close()


def test_addresses_leave_the_usual_rate_out() -> None:
    assert address("/dev/ttyACM0", 250_000) == "serial:///dev/ttyACM0"
    assert address("/dev/ttyACM0", 115_200) == "serial:///dev/ttyACM0?baud=115200"
