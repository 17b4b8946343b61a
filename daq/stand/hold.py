"""Holding a stand: one process at a time works it, and whoever comes next closes what a killed one left under way."""

import fcntl
import os
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path

from daq.catalogue.stand_file import StandConfig
from daq.publish import contract as c
from daq.record.async_store import AsyncStore
from daq.record.store import Store
from daq.record.values import Finished, StoredRun, stand_key
from daq.stand.errors import HeldError
from daq.stand.recover import NOTHING, recovered


@asynccontextmanager
async def held(config: StandConfig, store: AsyncStore) -> AsyncIterator[None]:
    """The stand is ours and its store open while the block lasts. A run that was left under way is void from now on.

    Raises:
        HeldError: another process works the stand, or the folder of the records cannot be written.
        RecordError: the database cannot be opened, or another machine works the stand with it.
    """
    with _lock(config):
        try:
            await store.open()
            await store.ask(Store.hold, stand_key(config.stand.site, config.stand.name))
            await _close_unfinished(config, store)
            yield
        finally:
            await store.close()


def refuse_worked(config: StandConfig) -> None:
    """For whoever only wants to look: a second host on a line would end the run of the first.

    Raises:
        HeldError: another process works the stand.
    """
    path = _lock_file(config)
    try:
        file = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    except OSError:  # nobody ever worked it, or nobody whom we could know of
        return
    try:
        fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        raise HeldError(_taken(config, path)) from None
    finally:
        os.close(file)


def _lock_file(config: StandConfig) -> Path:
    return config.data / f"{config.stand.site}-{config.stand.name}.lock"


@contextmanager
def _lock(config: StandConfig) -> Iterator[None]:
    """A file that says which process it is, locked; the system lets go of it when the process ends, however it ends."""
    site, name = config.stand.site, config.stand.name
    path = _lock_file(config)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        file = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o640)
    except OSError as error:
        raise HeldError(
            f"stand {site}/{name}: {path} cannot be written ({error.strerror}); expected a folder for the records that "
            "this user may write; mend its permissions, or name another folder"
        ) from error
    try:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise HeldError(_taken(config, path)) from None
        with suppress(OSError):  # on a full disk it holds all the same, only without saying who
            os.ftruncate(file, 0)
            os.write(file, str(os.getpid()).encode())
        yield
    finally:
        os.close(file)


def _taken(config: StandConfig, path: Path) -> str:
    process = path.read_text(encoding="ascii").strip()
    who, how = (f"process {process}", f" ({stopping(process)})") if process else ("another process", "")
    return (
        f"stand {config.stand.site}/{config.stand.name}: expected nobody else at work on it, found {who} with its "
        f"records in {config.data}; stop that one{how}, or give this one records of its "
        "own"
    )


def stopping(process: str, processes: Path = Path("/proc")) -> str:
    """The command that stops a process: a service would be started again if it were killed."""
    try:
        group = (processes / process / "cgroup").read_text(encoding="utf-8")
    except (OSError, ValueError):
        group = ""
    services = [name for name in group.strip().split("/") if name.endswith(".service")]
    if not services or (services[-1].startswith("user@")):
        return f"kill {process}"
    manager = "systemctl --user" if services[0].startswith("user@") else "sudo systemctl"
    return f"{manager} stop {services[-1].removesuffix('.service')}"


async def _close_unfinished(config: StandConfig, store: AsyncStore) -> None:
    ended = datetime.now(UTC)
    left = await store.ask(Store.unfinished, config.stand.site, config.stand.name)
    kept = {run.run: await recovered(config, run.run) for run in left}

    def make(stored: StoredRun, seq: int) -> Finished:
        found = kept.get(stored.run, NOTHING)
        data = c.abandoned({**stored.data, **found.data}, seq=seq, ended=ended, why=found.why)
        return Finished({**c.plain(data), **found.audited(data)}, [("result", c.text(c.Result.of(data)))])

    await store.close_unfinished(config.stand.site, config.stand.name, make)
