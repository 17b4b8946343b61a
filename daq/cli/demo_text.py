"""What a demonstration says besides its runs, for a person at a terminal."""

import json
import shlex
import shutil
import sys
from collections.abc import Callable, Iterator
from typing import Any

from daq.cli.output import PROGRAM
from daq.cli.show import Show

Record = dict[str, Any]


class DemoShow:
    """Turns the demonstration's records into lines; those of runs as `Show` does."""

    def __init__(self, write: Callable[[str], None]) -> None:
        self._write = write
        self._show = Show(write)
        self._lines: dict[str, Callable[[Record], Iterator[str]]] = {
            "demonstration": _beginning,
            "where": _where,
            "verdict": _verdict,
            "all_tested": _all_tested,
            "over": _over,
        }

    def hear(self, record: Record) -> None:
        """Shows a record."""
        lines = self._lines.get(record["event"])
        if lines is None:
            self._show.hear(record)
            return
        for line in lines(record):
            self._write(line)


def _beginning(r: Record) -> Iterator[str]:
    yield "Nothing here is real: the stand, its pumps and their numbers are simulated. On a real bench:"
    yield from (f"  - {caution}" for caution in r["cautions"])


def _where(r: Record) -> Iterator[str]:
    yield f"\nbroker:  {r['kind']} on mqtt://{r['host']}:{r['port']}; to listen, in another terminal:"
    yield f"         mosquitto_sub -h {r['host']} -p {r['port']} -v -t '{r['topics']}'"
    yield f"records: {_program()} runs list --database {shlex.quote(r['database'])}"
    yield f"files:   {r['files']} (recordings, traces)"


def _verdict(r: Record) -> Iterator[str]:
    yield f"{'':<10} MQTT {r['topic']} {json.dumps(r['payload'], separators=(',', ':'))}"


def _all_tested(_: Record) -> Iterator[str]:
    yield "\nAll units are tested. The stand stays up for your subscriber; Ctrl-C stops it."


def _over(r: Record) -> Iterator[str]:
    yield f"stopped; the records are in {r['files']}"


def _program() -> str:
    """The command as it can be typed here."""
    return PROGRAM if shutil.which(PROGRAM) or not sys.argv[0].endswith(f"/{PROGRAM}") else shlex.quote(sys.argv[0])
