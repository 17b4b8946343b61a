"""Broker, subscriber and daemon of one row of the campaign, each a process, and waiting for what must happen."""

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from tests.conftest import Mosquitto
from tests.system.faults import subscriber
from tests.system.faults.counts import Counts, arrivals, count, produced
from tests.system.faults.launcher import DEVICE, Job, impatient, launch

ROOT = Path(__file__).parents[3]
WAIT_S = 60.0
NAMES = "allow_anonymous true\npassword_file {passwords}"
ACCESS = "allow_anonymous true\nacl_file {acl}"
LISTENER = f"user {subscriber.NAME}\ntopic read #\n"
ALLOWED = f"topic readwrite #\n{LISTENER}"
NO_RESULTS = f"topic deny steadyhead/v1/marrow-hill/bench-1/result\n{ALLOWED}"


class CampaignError(Exception):
    """Something did not come about in time, or a process did what it should not."""


@dataclass(frozen=True, slots=True)
class Row:
    """What one fault did. `recovered` is the longest time from the end of a fault until results flowed again, s."""

    name: str
    faults: int
    counts: Counts
    recovered: float
    remark: str = ""

    @property
    def good(self) -> bool:
        return self.counts.good and not self.remark.startswith("NOT")


@dataclass
class Bench:
    """One folder, one broker, one subscriber; daemons come and go."""

    folder: Path
    broker: Mosquitto
    daemon: int | None = None
    spoiled: Callable[[], None] | None = None
    port: int = 0
    device: str = DEVICE
    whole: bool = False
    database: str = ""

    @property
    def data(self) -> Path:
        return self.folder / "data"

    @property
    def log(self) -> Path:
        return self.folder / "received.log"

    @property
    def listed(self) -> list[str]:
        return produced(self.folder / "produced.txt")

    def received(self) -> set[str]:
        return {arrival.run for arrival in arrivals(self.log)}

    def start(self, runs: int | None = None, *patches: Callable[[], None], asked: bool = False) -> int:
        """A daemon, which produces; gives its process id."""
        all_of_them = (impatient, *([self.spoiled] if self.spoiled else []), *patches)
        port = self.port or self.broker.port
        self.daemon = launch(
            Job(self.data, port, runs, all_of_them, asked, self.device, whole=self.whole, database=self.database)
        )
        return self.daemon

    def allow(self, *, results: bool) -> None:
        """Has the broker's access list take results, or not; it must have been given one."""
        (self.folder / "broker" / "acl").write_text(ALLOWED if results else NO_RESULTS)
        self.broker.reload()

    def let_in(self, *, anybody: bool) -> None:
        """Has the broker let in who has no name, as the daemon, or nobody but the subscriber."""
        text, count = re.subn(r"allow_anonymous \w+", f"allow_anonymous {str(anybody).lower()}", self.conf.read_text())
        assert count == 1
        self.conf.write_text(text)
        self.broker.reload()

    @property
    def conf(self) -> Path:
        return self.broker.folder / "mosquitto.conf"

    def forgotten(self) -> bool:
        """Whether the broker knew nothing of the subscriber's session when that came again."""
        return "new" in (self.folder / "received.sessions").read_text(encoding="utf-8").split()[1:]

    def kill(self) -> None:
        assert self.daemon is not None
        os.kill(self.daemon, signal.SIGKILL)
        self.died()

    def died(self) -> None:
        """Waits until the daemon was killed, by itself or by us."""
        status = self.ended()
        if not (os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGKILL):
            raise CampaignError(
                f"expected the daemon to be killed, it ended with status {status}; see {self.daemon_log}"
            )

    def stop(self) -> None:
        """A clean stop."""
        assert self.daemon is not None
        os.kill(self.daemon, signal.SIGTERM)
        if (status := self.ended()) != 0:
            raise CampaignError(f"expected a clean stop of the daemon, it ended with status {status}; {self.tail()}")

    def ended(self) -> int:
        """Waits for the end of the daemon; its wait status."""
        daemon, status = self.daemon, 0
        assert daemon is not None

        def over() -> bool:
            nonlocal status
            done, status = os.waitpid(daemon, os.WNOHANG)
            return done == daemon

        wait_for(over, f"end of the daemon; {self.tail()}")
        self.daemon = None
        return status

    @property
    def daemon_log(self) -> Path:
        return self.folder / "daemon.log"

    def tail(self) -> str:
        return self.daemon_log.read_text(encoding="utf-8")[-600:] if self.daemon_log.exists() else ""

    def said(self, text: str) -> bool:
        return self.daemon_log.exists() and text in self.daemon_log.read_text(encoding="utf-8")

    def arrival_after(self, then: float, wait: float = WAIT_S) -> float:
        """Waits for the first result that comes after a wall time; how long that took from then, s."""
        came: list[float] = []

        def there() -> bool:
            came[:] = [arrival.time for arrival in arrivals(self.log)[-50:] if arrival.time > then]
            return bool(came)

        wait_for(there, f"a result; {self.tail()}", wait)
        return came[0] - then

    def drain(self, wait: float = WAIT_S) -> float:
        """Waits until all that was produced has come, or nothing new comes; how long that took, s."""
        began, newest = time.time(), time.time()
        before = -1
        while set(self.listed) - (there := self.received()):
            if len(there) > before:
                before, newest = len(there), time.time()
            if time.time() - newest > wait:
                break
            time.sleep(0.05)
        return time.time() - began

    def finish(self, wait: float = 8.0) -> Counts:
        """A last daemon, without a fault, produces two runs more; then the counts are taken."""
        if self.daemon is None:
            goal = len(self.listed) + 2
            self.start(2)
            wait_for(lambda: len(self.listed) >= goal, f"the last runs; {self.tail()}")
        self.drain(wait)
        self.stop()
        return count(self.listed, arrivals(self.log))


def wait_for(ready: Callable[[], bool], what: str, wait: float = WAIT_S) -> None:
    end = time.monotonic() + wait
    while not ready():
        if time.monotonic() > end:
            raise CampaignError(f"waited {wait:g} s for {what}")
        time.sleep(0.02)


@contextmanager
def bench(spoiled: Callable[[], None] | None = None, settings: str = "allow_anonymous true") -> Iterator[Bench]:
    """All of it for one row; what is left of it at the end is killed."""
    with TemporaryDirectory(prefix="faults-") as name:
        folder = Path(name)
        (folder / "broker").mkdir()
        acl, passwords = folder / "broker" / "acl", folder / "broker" / "passwords"
        acl.write_text(ALLOWED)
        subprocess.run(["mosquitto_passwd", "-b", "-c", passwords, subscriber.NAME, subscriber.NAME], check=True)
        folder.chmod(0o755)
        # Not 0 for "as many as come": this broker then drops whoever sends what its access list denies.
        broker = Mosquitto(
            folder / "broker", f"{settings.format(acl=acl, passwords=passwords)}\nmax_queued_messages 100000"
        )
        broker.start()
        made = Bench(folder, broker, spoiled=spoiled)
        command = [sys.executable, "-m", subscriber.__name__, str(broker.port), str(made.log)]
        listening = subprocess.Popen(command, cwd=ROOT)
        try:
            wait_for(made.log.with_suffix(f".{subscriber.READY}").exists, "the subscriber")
            yield made
        finally:
            if made.daemon is not None:
                with suppress(CampaignError, ProcessLookupError):
                    made.kill()
            listening.kill()
            listening.wait()
            broker.stop()
