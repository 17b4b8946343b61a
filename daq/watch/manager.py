"""What a service tells the manager that started it: systemd's protocol, sd_notify(3) and systemd.service(5).

Each message is one datagram of lines VARIABLE=VALUE to the socket that the environment names. Without one nothing is
said, so that the same program runs in a terminal.
"""

import os
import socket
import time
from collections.abc import Mapping
from contextlib import suppress


class Manager:
    """The service manager, or nobody. `watchdog_s` is within how many seconds it wants to hear that all is well; None
    where it does not ask."""

    def __init__(self, environ: Mapping[str, str] = os.environ) -> None:
        self._place = environ.get("NOTIFY_SOCKET", "")
        self.watchdog_s = _watchdog(environ) if self._place else None

    def ready(self, status: str) -> None:
        """The service does its work, from its start or from a reload on."""
        self._tell("READY=1", f"STATUS={status}")

    def reloading(self) -> None:
        """The configuration is being read again; `ready` ends it. Type=notify-reload wants the time as well."""
        self._tell("RELOADING=1", f"MONOTONIC_USEC={time.clock_gettime_ns(time.CLOCK_MONOTONIC) // 1000}")

    def stopping(self) -> None:
        """The service has begun to end."""
        self._tell("STOPPING=1")

    def well(self, status: str) -> None:
        """All goes on; `status` is one line for people."""
        self._tell("WATCHDOG=1", f"STATUS={status}")

    def unwell(self, status: str) -> None:
        """Something stands still: said to people only, so that the watchdog starves."""
        self._tell(f"STATUS={status}")

    def _tell(self, *lines: str) -> None:
        if not self._place:
            return
        address = "\0" + self._place[1:] if self._place.startswith("@") else self._place
        # A manager that cannot be reached is no reason to lose a verdict; it notices by itself.
        with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as talk:
            talk.setblocking(False)
            talk.sendto("\n".join(line.replace("\n", " ") for line in lines).encode(), address)


def _watchdog(environ: Mapping[str, str]) -> float | None:
    """As sd_watchdog_enabled(3) reads it: microseconds, for the process that is named or any."""
    if environ.get("WATCHDOG_PID", str(os.getpid())) != str(os.getpid()):
        return None
    try:
        microseconds = int(environ.get("WATCHDOG_USEC", ""))
    except ValueError:
        return None
    return microseconds / 1e6 if microseconds > 0 else None
