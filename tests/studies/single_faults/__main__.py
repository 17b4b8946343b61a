"""The campaign's command: a grid of faults, or one case again."""

import argparse
import random
import sys
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

from tests.studies.single_faults.cases import Case, Result, baseline, carry_out, case_of
from tests.studies.single_faults.grid import GRIDS, cases
from tests.studies.single_faults.sound import sound
from tests.studies.single_faults.tables import no_fault, page, summary

PAGE = Path(__file__).parent.with_suffix(".md")


def main() -> None:
    """Runs what was asked for."""
    asked = _parser().parse_args()
    if asked.case:
        _show(carry_out(case_of(asked.case)))
        return
    grid = "full" if asked.full else "short" if asked.short else "usual"
    chosen = [c for c in cases(GRIDS[grid], asked.seed) if all(word in str(c) for word in asked.only)]
    if asked.sample:
        chosen = random.Random(asked.seed).sample(chosen, min(asked.sample, len(chosen)))
    results = []
    for result in _told(_carried(chosen, asked.jobs), len(chosen)):
        results.append(result)
        if result.wrong or (asked.off and result.word == "reading off"):
            _show(result)
    text = summary(results) + no_fault(list(sound(asked.sound, asked.seed)))
    sys.stdout.write(text)
    if asked.write:
        PAGE.write_text(page(results, text), "utf-8")
    if any(r.wrong for r in results):
        sys.exit(1)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.studies.single_faults", description=__doc__)
    size = parser.add_mutually_exclusive_group()
    size.add_argument("--full", action="store_true", help="every fault, every moment, both kinds of stand")
    size.add_argument("--short", action="store_true", help="the small fixed subset of the tests")
    parser.add_argument("--only", nargs="*", default=(), help="cases whose name contains all these texts")
    parser.add_argument("--sample", type=int, default=0, help="so many of them, drawn at random")
    parser.add_argument("--case", default="", help="one case, by its name")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    parser.add_argument("--sound", type=int, default=60, help="stands with a sound unit and no fault")
    parser.add_argument("--off", action="store_true", help="name readings that are off, too")
    parser.add_argument("--write", action="store_true", help=f"write {PAGE.name}")
    return parser


def _carried(chosen: list[Case], jobs: int) -> Iterator[Result]:
    if jobs <= 1:
        yield from map(carry_out, chosen)
        return
    with ProcessPoolExecutor(jobs, get_context("spawn")) as pool:
        yield from pool.map(carry_out, chosen, chunksize=4)


def _told(results: Iterable[Result], n: int) -> Iterator[Result]:
    """The results, with their progress told."""
    for k, result in enumerate(results, 1):
        if k % 50 == 0:
            sys.stderr.write(f"\r{k} of {n}")
            sys.stderr.flush()
        yield result
    sys.stderr.write("\n")


def _show(result: Result) -> None:
    case = result.case
    without = baseline(case.mode, case.family, case.fault.channel, case.good, case.seed).word
    alarms, off = ", ".join(result.alarms) or "none", ", ".join(result.off) or "none"
    sys.stdout.write(
        f"{result.word}: python -m tests.studies.single_faults --case {case}\n"
        f"    says {result.said} (without the fault {without}); alarms: {alarms}; readings off: {off}\n"
    )
    sys.stdout.flush()


if __name__ == "__main__":
    main()
