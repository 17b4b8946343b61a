"""Rows in which disk, database or clock fail."""

import os
import sqlite3
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import partial

from tests.system.faults.bench import Bench, CampaignError, Row, bench, wait_for
from tests.system.faults.brokers import more
from tests.system.faults.points import SPOILED, gated

DISK = "200m"
"""More than what is kept free for the longest run."""
NOT_STORED = "the verdict is not stored yet"
FULL_S = STANDS_STILL_S = 2.0
"""Longer than an impatient daemon waits for a lock, or before it tries again."""


@contextmanager
def _small_disk(at: Bench) -> Iterator[None]:
    """A file system of its own for the daemon's data; takes root."""
    at.data.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={DISK}", "faults", at.data], capture_output=True, text=True, check=False
    )
    if done.returncode:
        raise CampaignError(f"a small disk needs root and mount: {done.stderr.strip()}")
    try:
        yield
    finally:
        if at.daemon is not None:
            with suppress(CampaignError):
                at.kill()
        subprocess.run(["umount", "-l", at.data], check=True)


def _fill(at: Bench) -> None:
    ballast = at.data / "ballast"
    with suppress(OSError), ballast.open("ab", buffering=0) as file:
        while file.write(b"\0" * 4096):
            pass


def _told(at: Bench) -> str:
    """What the daemon said of it; a fault that it never met would prove nothing."""
    told = [text for text in (NOT_STORED, "start refused") if at.said(text)]
    return f"told: {', '.join(told)}" if told else "NOT told: the fault did not reach the daemon"


def full(times: int) -> Row:
    """Not a byte is left, by turns from a verdict that is about to be stored on, or at any time; then there is room."""
    with bench() as at, _small_disk(at):
        gate = at.folder / "gate"
        at.start(None, partial(gated, gate))
        recovered = 0.0
        for k in range(times):
            more(at, 5)
            if k % 2 == 0:
                gate.touch()
                wait_for(gate.with_suffix(".reached").exists, "a verdict")
                _fill(at)
                gate.unlink()
            end = time.monotonic() + FULL_S
            while time.monotonic() < end:
                _fill(at)
                time.sleep(0.05)
            (at.data / "ballast").unlink()
            recovered = max(recovered, at.arrival_after(time.time()))
        at.stop()
        remark = _told(at) if at.said(NOT_STORED) else "NOT: no verdict met the full disk"
        return Row("disk full", times, at.finish(), recovered, remark)


def locked(times: int) -> Row:
    """Another process holds the database for longer than the daemon waits for it at a time: by turns when a verdict is
    about to be stored, and whenever it comes."""
    with bench() as at:
        gate = at.folder / "gate"
        at.start(None, partial(gated, gate))
        recovered = 0.0
        for k in range(times):
            more(at, 5)
            if k % 2 == 0:
                gate.touch()
                wait_for(gate.with_suffix(".reached").exists, "a verdict")
            holder = sqlite3.connect(at.data / "records.db", isolation_level=None, timeout=10)
            holder.execute("BEGIN IMMEDIATE")
            gate.unlink(missing_ok=True)
            time.sleep(STANDS_STILL_S)
            holder.execute("ROLLBACK")
            holder.close()
            recovered = max(recovered, at.arrival_after(time.time()))
        at.stop()
        remark = _told(at) if at.said(NOT_STORED) else "NOT: no verdict met the lock"
        return Row("database locked by another process", times, at.finish(), recovered, remark)


def damaged() -> Row:
    """Its first page is not what it was: the daemon must not begin; with the file as it was it goes on."""
    with bench() as at:
        at.start(20)
        more(at, 20)
        at.drain()
        at.stop()
        file = at.data / "records.db"
        whole = file.read_bytes()
        file.write_bytes(b"\x55" * 4096 + whole[4096:])
        at.start(1)
        status = at.ended()
        told = os.waitstatus_to_exitcode(status) == 1 and at.said("DatabaseDamagedError")
        file.write_bytes(whole)
        then = time.time()
        at.start(2)
        recovered = at.arrival_after(then)
        remark = "refused with a message" if told else "NOT refused with a message"
        return Row("database damaged", 1, at.finish(), recovered, remark)


def clock(runs: int) -> Row:
    """Wall time steps an hour back and forward at every few looks at it, from run to run and within one."""
    with bench() as at:
        at.start(runs, partial(SPOILED["clock"], 5))
        more(at, runs)
        took = at.drain()
        at.stop()
        return Row("clock stepped by 2 h to and fro", runs, at.finish(), took)
