"""The daemon under test: a process forked from the campaign, with a stand in virtual time and a producer of runs.

The producer begins a run, lets it take some data, has it aborted, and begins the next; in its list, a file of its own,
it notes each run that the stand named. A run that is aborted ends void, and goes the way of every other:
recording, trace, transaction, outbox. Where it is told to, it lets runs come to their verdict instead.
"""

import asyncio
import os
import signal
import sys
import traceback
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any, TextIO

from daq.catalogue.load import Catalogue
from daq.catalogue.stand_file import StandConfig
from daq.cli.config import load
from daq.publish.publisher import Timing
from daq.record import engine, parquet
from daq.stand import daemon as product
from daq.stand import finish
from daq.stand.errors import RefusedError
from daq.stand.request import StartRequest
from daq.stand.said import Begun, Stage
from daq.stand.stand import Stand
from drivers.block import LinkChange

CONFIG = Path(__file__).parents[3] / "config"
DEVICE = "sim://depot/good-pump"
PART = "MH-2101"
BLOCKS = 4
"""Of data in each run before it is aborted."""


@dataclass(frozen=True, slots=True)
class Job:
    """What a daemon does: `runs` to produce (None: until it is stopped), and what is patched before.
    With `asked` others begin runs, which are listed and aborted too. With `whole` a person does what runs ask for until
    they have their verdict, and their traces are written by a process of their own, as always but here. `database` is a
    URL; empty for a file among the data."""

    data: Path
    port: int
    runs: int | None = None
    patches: tuple[Callable[[], None], ...] = ()
    asked: bool = False
    device: str = DEVICE
    whole: bool = False
    database: str = ""

    @property
    def list(self) -> Path:
        return self.data.parent / "produced.txt"

    @property
    def log(self) -> Path:
        return self.data.parent / "daemon.log"


@cache
def _loaded() -> tuple[StandConfig, Catalogue]:
    return load(CONFIG, DEVICE)


def launch(job: Job) -> int:
    """Forks the daemon; gives its process id. The campaign has no threads, so that it may."""
    _loaded()
    if process := os.fork():
        return process
    try:
        with job.log.open("a", encoding="utf-8", buffering=1) as log:
            os.dup2(log.fileno(), 1)
            os.dup2(log.fileno(), 2)
            code = _live(job, log)
    except BaseException:  # noqa: BLE001 - whatever it was: the campaign's own code must not run on in the child
        traceback.print_exc(file=sys.stderr)
        code = 1
    sys.stderr.flush()
    os._exit(code)


def _live(job: Job, log: TextIO) -> int:
    # The trace is written by the code that its child process runs, but here: that child would take a second a run.
    if not job.whole:
        finish.write_trace = parquet.write
    for patch in job.patches:
        patch()
    asyncio.run(_serve(job, log))
    return 0


async def _serve(job: Job, log: TextIO) -> None:
    config, catalogue = _loaded()
    broker = replace(config.broker, host="127.0.0.1", port=job.port)
    data = job.data.absolute()
    database = job.database or engine.sqlite_url(data / "records.db")
    # Rows with a small disk of their own: a run's need is asked for, a reserve beside it is not.
    config = replace(config, device=job.device, broker=broker, data=data, database=database, keep_free=0)
    stop, begun = asyncio.Event(), asyncio.Queue[str]()
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, stop.set)

    def hear(said: Any) -> None:
        if (text := getattr(said, "text", None)) is not None:
            log.write(f"{text}\n")
        if isinstance(said, LinkChange):
            log.write(f"link {said.link.value}: {said.reason}\n")
        if job.whole and isinstance(said, Stage) and said.now is not None:
            made.device.operator.hear(said.now.do.value)  # type: ignore[union-attr]  # a simulated one
        if isinstance(said, Begun):
            begun.put_nowait(said.about.run)

    made = product.Daemon(config, catalogue, hear)
    async with asyncio.TaskGroup() as tasks:
        producing = tasks.create_task(_asked(made, begun, job) if job.asked else _produce(made, job))
        try:
            await made.run(stop)
        finally:
            producing.cancel()


async def _produce(made: product.Daemon, job: Job) -> None:
    """As many runs as the job says; a start that is refused, as without room on the disk, is asked for again."""
    stand, left = made.stand, job.runs
    while not made.working or not stand.identity:  # noqa: ASYNC110  # nobody tells
        await asyncio.sleep(0.005)
    with job.list.open("a", encoding="utf-8", buffering=1) as listed:
        while left is None or left > 0:
            try:
                run = await stand.start(StartRequest(PART))
            except RefusedError as refused:
                sys.stderr.write(f"start refused: {refused}\n")
                await asyncio.sleep(0.1)
                continue
            listed.write(f"{run}\n")
            await (stand.settled() if job.whole else _end(stand, run))
            left = None if left is None else left - 1


async def _asked(made: product.Daemon, begun: asyncio.Queue[str], job: Job) -> None:
    """Ends the runs that somebody else began."""
    with job.list.open("a", encoding="utf-8", buffering=1) as listed:
        while True:
            run = await begun.get()
            listed.write(f"{run}\n")
            await _end(made.stand, run)


async def _end(stand: Stand, run: str) -> None:
    goal = stand.taken + BLOCKS
    while stand.taken < goal:  # a count, in a busy loop
        if not stand.busy:  # it ended by itself
            return
        await asyncio.sleep(0 if stand.device is None or stand.device.virtual else 0.002)
    with suppress(RefusedError):  # it may have ended by itself
        stand.abort(run)
    await stand.settled()


FAST = Timing(first_wait=0.1, longest_wait=1.0, refused=0.5, longest_refused=1.0, again=1.0)
"""A daemon's patience made short, for rows whose fault lasts seconds and not hours."""


def impatient() -> None:
    """Has the daemon wait for a broker, a disk and a lock as a test does."""
    engine.BUSY_MS = 1000
    product.Publisher.__init__.__kwdefaults__["timing"] = FAST  # type: ignore[index]
    finish.AGAIN_S = 0.5
