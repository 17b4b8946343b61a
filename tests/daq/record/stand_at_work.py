"""One stand at work in a process of its own: `python -m tests.daq.record.stand_at_work URL STAND RUNS FIRST`.

Tests the same unit once for every line that it reads, answers a request and sends what waits; says what it saw.
"""

import json
import sys
from contextlib import closing

from daq.record.store import Store
from tests.daq.record.bench import DIGEST, START, finish, started


def main(url: str, stand: str, runs: int, first: int) -> None:
    key = f"marrow-hill/{stand}"
    with closing(Store(url)) as store:
        store.open()
        _say("ready")
        for number in range(first, first + runs):
            sys.stdin.readline()
            run = started(number, stand=stand, part_revision=number)
            new = store.claim(key, str(number), "start", DIGEST, START).new
            attempt = store.start_run(run)
            store.event(key, run.run, START, "stage", {"stage": "shutoff"})
            seq = store.finish_run(run.run, finish(run)).data["seq"]
            store.remember(key, str(number), {"state": "accepted"})
            sent = [(message.id, message.payload) for message in store.unsent(key, 9)]
            for message, _ in sent:
                store.mark_sent(message, START)
            saw = {"run": run.run, "stand": stand, "new": new, "attempt": attempt.number, "seq": seq, "sent": sent}
            _say(json.dumps(saw | {"earlier": attempt.earlier}))


def _say(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], int(sys.argv[3]), int(sys.argv[4]))
