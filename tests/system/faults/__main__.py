"""`python -m tests.system.faults [--full] [--broken-outbox] [names…]`: the campaign, its table on standard output."""

import argparse
import sys
import time
from collections.abc import Callable
from functools import partial

from tests.system.faults import brokers, disks, kills, lines, requests
from tests.system.faults.bench import CampaignError, Row
from tests.system.faults.points import POINTS

HEAD = (
    "| fault | times | produced | received | sent again | lost | doubled after upsert by id | wrong order | "
    "longest recovery, s | |\n| --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: | --- |"
)


def rows(*, full: bool, broken: bool = False) -> dict[str, Callable[[], Row]]:
    """Every fault by its name."""
    each, some = (20, 220) if full else (2, 4)
    named = {point: partial(kills.at_point, point, each, broken=broken) for point in POINTS}
    times, many, late, backlog = (5, 200, 100, 10_000) if full else (1, 20, 4, 100)
    return {
        **named,
        "random": partial(kills.at_random, some),
        "whole_runs": partial(kills.of_whole_runs, each),
        "server": partial(kills.on_a_server, each),
        "broker_killed": partial(brokers.killed, times),
        "broker_away": partial(brokers.away, backlog),
        "broker_refuses": partial(brokers.refusing, times),
        "broker_shuts_out": partial(brokers.shutting_out, times),
        "broker_slow": partial(brokers.slow, late),
        "disk_full": partial(disks.full, times),
        "database_locked": partial(disks.locked, times),
        "database_damaged": disks.damaged,
        "clock_stepped": partial(disks.clock, many),
        "requests": partial(requests.hostile, times),
        "unplugged": partial(lines.unplugged, times),
        "garbage": partial(lines.garbage, 1, 120.0 if full else 3.0),
        "hostile_line": partial(lines.hostile, 1, 120.0 if full else 3.0),
    }


def told(row: Row) -> str:
    c = row.counts
    numbers = (row.faults, c.produced, c.received, c.again, c.lost, c.doubled, c.wrong_order, f"{row.recovered:.1f}")
    return f"| {row.name} | {' | '.join(map(str, numbers))} | {row.remark} |"


def _say(line: str) -> None:
    """At once, so that a campaign that is cut short has told what it found."""
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def main() -> int:
    asked = argparse.ArgumentParser(prog="python -m tests.system.faults", description=__doc__)
    asked.add_argument("--full", action="store_true", help="300 kills and 10 000 results; without, a short form")
    asked.add_argument(
        "--broken-outbox", action="store_true", help="with an outbox that forgets: the campaign must fail"
    )
    asked.add_argument("names", nargs="*", metavar="NAME", help="which faults; all if left out")
    given = asked.parse_args()
    known = rows(full=given.full, broken=given.broken_outbox)
    if strange := sorted(set(given.names) - set(known)):
        asked.error(f"unknown fault {strange[0]!r}; expected: {', '.join(known)}")
    _say(HEAD)
    bad = 0
    for name in given.names or known:
        began = time.monotonic()
        try:
            row = known[name]()
        except CampaignError as error:
            _say(f"| {name} | NOT DONE: {error} |")
            bad += 1
            continue
        _say(told(row))
        sys.stderr.write(f"{name}: {time.monotonic() - began:.0f} s\n")
        bad += not row.good
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
