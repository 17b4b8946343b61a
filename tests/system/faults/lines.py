"""Rows in which the line to the device fails."""

import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager

from tests.system.faults import plug
from tests.system.faults.bench import ROOT, Bench, Row, bench, wait_for
from tests.system.faults.brokers import more


@contextmanager
def _plugged(at: Bench) -> Iterator[subprocess.Popen[str]]:
    link = at.folder / "port"
    at.device = f"serial://{link}"
    command = [sys.executable, "-m", plug.__name__, str(link)]
    device = subprocess.Popen(command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    try:
        wait_for(link.exists, "the port")
        yield device
    finally:
        device.kill()
        device.communicate()


def _tell(device: subprocess.Popen[str], line: str) -> None:
    """Returns when it is done."""
    assert device.stdin is not None
    assert device.stdout is not None
    device.stdin.write(f"{line}\n")
    device.stdin.flush()
    assert device.stdout.readline() == "done\n"


DOWN = "the line is gone"


def _row(name: str, line: str, times: int, sign: str) -> Row:
    with bench() as at, _plugged(at) as device:
        at.start()
        recovered = 0.0
        for _ in range(times):
            more(at, 3)
            _tell(device, line)
            then = time.time()
            begun = len(at.listed)
            wait_for(lambda begun=begun: len(at.listed) > begun + 1, f"a run afterwards; {at.tail()}")  # type: ignore[misc]
            recovered = max(recovered, time.time() - then)
        more(at, 2)
        at.drain()
        at.stop()
        remark = f"told: {sign}" if at.said(sign) else "NOT told: the fault did not reach the daemon"
        return Row(name, times, at.finish(), recovered, remark)


def unplugged(times: int) -> Row:
    return _row("port unplugged and plugged in", "unplug", times, DOWN)


def garbage(times: int, seconds: float) -> Row:
    return _row(f"garbage on the line for {seconds:g} s", f"garbage {seconds}", times, "frames were damaged")


def hostile(times: int, seconds: float) -> Row:
    name = f"zeros, and sound frames that hold anything, for {seconds:g} s"
    return _row(name, f"hostile {seconds}", times, "frames were damaged")
