"""Rows in which the broker fails: killed, away, refusing, slow."""

import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from tests.system.faults import slow_proxy, subscriber
from tests.system.faults.bench import ACCESS, NAMES, ROOT, Bench, Row, bench, wait_for

RUNS_A_WHILE = 20
REFUSED = "refused a message on"
SHUT_OUT = "does not let us in"


def more(at: Bench, runs: int, wait: float = 60.0) -> None:
    """Waits until so many runs more were produced."""
    goal = len(at.listed) + runs
    wait_for(lambda: len(at.listed) >= goal, f"{runs} runs; {at.tail()}", wait)


def _heard(at: Bench, text: str) -> int:
    """How often the daemon said it."""
    return at.daemon_log.read_text(encoding="utf-8").count(text) if at.daemon_log.exists() else 0


def _kept(at: Bench) -> bool:
    """Whether the session is on the disk: a broker that is killed before has never heard of the subscriber."""
    kept = at.broker.folder / "mosquitto.db"
    return kept.exists() and subscriber.NAME.encode() in kept.read_bytes()


def killed(times: int) -> Row:
    """SIGKILL while results go through it. What it had acknowledged and not passed on is the broker's to keep: in here
    a killed one that had lost something would show as lost."""
    with bench() as at:
        wait_for(lambda: _kept(at), "the broker to keep the subscriber's session")
        at.start()
        recovered = 0.0
        for _ in range(times):
            more(at, RUNS_A_WHILE)
            at.broker.kill()
            more(at, RUNS_A_WHILE)
            at.broker.start()
            then = time.time()
            recovered = max(recovered, at.arrival_after(then))
        at.stop()
        forgot = "NOT: the broker had not kept the subscriber's session" if at.forgotten() else ""
        return Row("broker killed and restarted", times, at.finish(), recovered, forgot)


def away(runs: int) -> Row:
    """Unreachable while `runs` results are produced; then all of them go out. Recovery is until the last has come."""
    with bench() as at:
        at.start(5)
        more(at, 5)
        at.drain()
        at.stop()
        at.broker.stop()
        at.start(runs)
        more(at, runs, wait=runs * 0.2 + 60)
        at.broker.start()
        took = at.drain()
        at.stop()
        return Row(f"broker unreachable for {runs} results", 1, at.finish(), took, "recovery: the whole backlog")


def refusing(times: int) -> Row:
    """Its access list takes the right to write results, and gives it again."""
    with bench(settings=ACCESS) as at:
        return _mended(at, "broker refuses results", times, REFUSED, lambda good: at.allow(results=good))


def shutting_out(times: int) -> Row:
    """It throws the daemon out and lets it in no more, until somebody mends that."""
    with bench(settings=NAMES) as at:
        return _mended(at, "broker lets the daemon in no more", times, SHUT_OUT, lambda good: at.let_in(anybody=good))


def _mended(at: Bench, name: str, times: int, sign: str, let: Callable[[bool], None]) -> Row:
    """What the broker refuses is told by an alarm, and goes on once somebody has mended it."""
    at.start()
    recovered = 0.0
    for _ in range(times):
        more(at, RUNS_A_WHILE)
        before = _heard(at, sign)
        let(False)
        wait_for(lambda before=before: _heard(at, sign) > before, "an alarm of the refusal")  # type: ignore[misc]
        more(at, RUNS_A_WHILE)
        let(True)
        then = time.time()
        recovered = max(recovered, at.arrival_after(then))
    at.stop()
    return Row(name, times, at.finish(), recovered, "told by an alarm")


@contextmanager
def _through_proxy(at: Bench, delay: float) -> Iterator[None]:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        at.port = free.getsockname()[1]
    command = [sys.executable, "-m", slow_proxy.__name__, str(at.port), str(at.broker.port), str(delay)]
    proxy = subprocess.Popen(command, cwd=ROOT)
    try:
        wait_for(lambda: _listens(at.port), "the proxy")
        yield
    finally:
        proxy.kill()
        proxy.wait()
        at.port = 0


def _listens(port: int) -> bool:
    with socket.socket() as one:
        return one.connect_ex(("127.0.0.1", port)) == 0


def slow(runs: int, delay: float = 0.4) -> Row:
    """Each acknowledgement comes `delay` s late, and the daemon is killed once in the midst of it."""
    with bench() as at, _through_proxy(at, delay):
        at.start(runs // 2)
        more(at, runs // 2)
        at.kill()
        at.start(runs - runs // 2)
        more(at, runs - runs // 2)
        took = at.drain()
        at.stop()
        at.port = 0
        return Row(f"broker acknowledges {delay:g} s late", runs, at.finish(), took, "recovery: the whole backlog")
