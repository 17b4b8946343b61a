"""How many changes to the core its own tests notice. Run: python -m tests.studies.mutation

    --package measure      one of measure, judge, procedure; again for more (all three)
    --file PATH            only this module; again for more
    --tests PATH           only the tests of this folder or file; again for more (those of the three packages)
    --sample N             so many mutants of each package, drawn at random; 0 for all (150)
    --seed S               the seed of the draw (1)
    --by-import            the tests that import a module, instead of those that coverage shows to reach the line;
                           they are first run once on the code as it is, and must pass
    --longest SECONDS      for each mutant only its first tests, that take so long together (all)
    --jobs J               processes at a time (1)
    --write                puts the tables into README.md beside this file

Survivors are printed as they are found. With --longest and --by-import a mutant may survive that another test would
kill: the score is a lower bound. Tests of the three packages are first run once under coverage, for the tests
that reach each line; what that says is kept until code or tests change.
"""

import argparse
import json
import math
import os
import random
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, settings

from tests.studies.mutation.cover import FOLDERS, PACKAGES, Imported, Reached, reached_by_tests
from tests.studies.mutation.mutants import Module, Mutant, Site
from tests.studies.mutation.tally import HEAD, Equivalents, Tried, rows
from tests.studies.mutation.trial import (
    ARGUMENTS,
    Outcome,
    Served,
    forget,
    forked,
    try_imported,
    try_in_place,
    unchanged_passes,
)

ROOT = Path(__file__).parents[3]
HERE = Path(__file__).parent
SLACK, LEAST_S, UNKNOWN_S = 4.0, 10.0, 60.0
"""A mutant may take so many times the processor time of its tests, and so many seconds more; and what is taken for
that time where it was not measured."""
MARKS = "<!-- tables -->", "<!-- end of tables -->"


def main() -> None:
    options = _options()
    _same_examples()
    reached = Imported(ROOT, options.tests) if options.by_import else reached_by_tests(ROOT, options.tests)
    equivalents = Equivalents(HERE / "equivalent.toml")
    drawn, found = draw(_files(options), options.sample, options.seed)
    if options.by_import:
        check_unchanged({m.file: tuple(reached.all_tests(m.file)) for m in drawn}, options)
    tried = run(drawn, reached, options, lambda t: _tell(t, equivalents))
    told = [Tried(mutant, outcome, equivalents.why(mutant)) for mutant, outcome in tried]
    page = _page(told, found, options)
    sys.stdout.write(page)
    if options.write:
        before, _, after = (HERE / "README.md").read_text().partition(MARKS[0])
        after = after.partition(MARKS[1])[2]
        (HERE / "README.md").write_text(f"{before}{MARKS[0]}\n\n{page}\n{MARKS[1]}{after}")


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.studies.mutation")
    names = [Path(p).name for p in PACKAGES]
    parser.add_argument("--package", action="append", choices=names, default=None)
    parser.add_argument("--file", action="append", default=None)
    parser.add_argument("--tests", action="append", default=None)
    parser.add_argument("--sample", type=int, default=150)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--by-import", action="store_true")
    parser.add_argument("--longest", type=float, default=math.inf)
    parser.add_argument("--write", action="store_true")
    options = parser.parse_args()
    options.package = options.package or names
    options.tests = options.tests or FOLDERS
    return options


def _files(options: argparse.Namespace) -> list[str]:
    if options.file:
        return [str(Path(f).resolve().relative_to(ROOT)) for f in options.file]
    folders = [ROOT / "daq" / name for name in options.package]
    return sorted(str(f.relative_to(ROOT)) for folder in folders for f in folder.glob("*.py"))


def _same_examples() -> None:
    """The same drawn examples in each trial, and no time spent on making a failing one smaller."""
    os.environ.pop("CI", None)
    settings.register_profile(
        "mutants",
        derandomize=True,
        database=None,
        deadline=None,
        phases=(Phase.explicit, Phase.generate),
        suppress_health_check=list(HealthCheck),
    )
    settings.load_profile("mutants")


def package_of(file: str) -> str:
    return Path(file).parent.name


def draw(files: Sequence[str], sample: int, seed: int) -> tuple[list[Mutant], Counter[str]]:
    """`sample` mutants of each package among `files` (0: all), and how many there are."""
    sites: dict[str, list[tuple[Module, Site]]] = {}
    for file in files:
        module = Module(ROOT, file)
        sites.setdefault(package_of(file), []).extend((module, site) for site in module.sites)
    drawn = list[Mutant]()
    for package, all_of_it in sites.items():
        chosen = random.Random(f"{seed} {package}").sample(all_of_it, min(sample or len(all_of_it), len(all_of_it)))
        drawn += [module.mutant(site) for module, site in chosen]
    return drawn, Counter({package: len(of_it) for package, of_it in sites.items()})


def check_unchanged(tests_of: Mapping[str, tuple[str, ...]], options: argparse.Namespace) -> None:
    """Runs the tests of each module once on the code as it is: one that fails by itself counts as a kill each time.
    They get twice the time that a mutant gets, so that no mutant meets a test that was not run here.

    Raises:
        RuntimeError: a test fails, or the tests could not be collected.
    """
    longest = 2.0 * options.longest
    lists = {tests: file for file, tests in tests_of.items() if tests}

    def serve(items: dict[str, pytest.Item]) -> None:
        for tests, file in lists.items():
            if not unchanged_passes(items, tests, SLACK * min(UNKNOWN_S, longest) + UNKNOWN_S, longest):
                os.write(voice, f"{file}: fails with nothing changed: pytest -x {' '.join(tests)}\n".encode())
                os._exit(1)
        os._exit(0)

    def collect() -> None:
        forget()
        pytest.main([*ARGUMENTS, *options.tests], plugins=[Served(serve)])

    voice = os.dup(2)
    code = forked(collect) if lists else 0
    os.close(voice)
    if code != 0:
        raise RuntimeError("the tests do not pass, or cannot be collected, on unchanged code; make them pass first")


def run(
    mutants: Sequence[Mutant], reached: Reached, options: argparse.Namespace, tell: Callable[[Tried], None]
) -> list[tuple[Mutant, Outcome]]:
    """Tries all mutants, in `jobs` processes at a time, and calls `tell` from them with each as it is done."""
    jobs = options.jobs
    with tempfile.TemporaryDirectory() as folder:
        parts = [Path(folder) / str(k) for k in range(jobs)]
        children = []
        for k, part in enumerate(parts):
            pid = os.fork()
            if pid == 0:
                code = 1
                try:
                    _work(list(mutants), range(k, len(mutants), jobs), reached, options, part=part, tell=tell)
                    code = 0
                finally:
                    os._exit(code)
            children.append(pid)
        codes = [os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) for pid in children]
        if any(codes):
            raise RuntimeError("a process that tried mutants ended early; its reason stands above")
        lines = [json.loads(line) for part in parts for line in part.read_text().splitlines()]
    return [(mutants[k], Outcome(outcome)) for k, outcome in sorted(lines)]


def _work(
    mutants: list[Mutant],
    mine: range,
    reached: Reached,
    options: argparse.Namespace,
    *,
    part: Path,
    tell: Callable[[Tried], None],
) -> None:
    """Tries every mutant of `mine`, which is written to `part` as it is done: first those that need an import, then the
    others beside one collection."""
    known = frozenset(reached.seconds)
    voice = os.dup(2)

    def done(k: int, outcome: Outcome) -> None:
        with part.open("a") as file:
            file.write(json.dumps([k, outcome]) + "\n")
        os.dup2(voice, 2)
        tell(Tried(mutants[k], outcome))

    in_place = []
    for k in mine:
        mutant = mutants[k]
        if mutant.inside and not reached.at_import(mutant.file, mutant.lines):
            in_place.append(k)
            continue
        tests = reached.all_tests(mutant.file)
        done(k, try_imported(tests, known, mutant, _seconds(reached, tests, options.longest), options.longest))

    def serve(items: dict[str, pytest.Item]) -> None:
        for k in in_place:
            mutant = mutants[k]
            tests = reached.tests(mutant.file, mutant.lines)
            if not tests:
                done(k, Outcome.NOT_REACHED)
                continue
            done(k, try_in_place(items, tests, mutant, _seconds(reached, tests, options.longest), options.longest))
        os._exit(0)

    def collect() -> None:
        forget()
        pytest.main([*ARGUMENTS, *options.tests], plugins=[Served(serve)])

    if in_place and forked(collect) != 0:
        raise RuntimeError("the tests could not be collected")


def _seconds(reached: Reached, tests: Sequence[str], longest: float) -> float:
    known = sum(reached.seconds[t] for t in tests) if reached.seconds else UNKNOWN_S
    return SLACK * min(known, longest) + LEAST_S


def _tell(tried: Tried, equivalents: Equivalents) -> None:
    if not tried.killed and not equivalents.why(tried.mutant):
        sys.stderr.write(f"{tried}\n")
        sys.stderr.flush()


def _page(tried: Sequence[Tried], found: Counter[str], options: argparse.Namespace) -> str:
    """The tables in Markdown, with how the mutants were drawn."""
    how = f"{options.sample} of each package, drawn with seed {options.seed}" if options.sample else "all of them"
    if math.isfinite(options.longest):
        how += f"; for each the first {options.longest:g} s of its tests, so that scores are lower bounds"
    how += "; tests chosen by import" if options.by_import else ""
    kinds = Counter[str]()
    lines = [f"{datetime.now(UTC):%Y-%m-%d}: {how}.", ""]
    lines += [*_table(rows(tried, lambda m: package_of(m.file), found)), ""]
    lines += _table([row[:1] + row[2:] for row in rows(tried, lambda m: m.kind, kinds)], HEAD[:1] + HEAD[2:])
    return "\n".join(lines) + "\n"


def _table(table: Sequence[tuple[str, ...]], head: tuple[str, ...] = HEAD) -> list[str]:
    return [f"| {' | '.join(row)} |" for row in (head, ("---",) * len(head), *table)]


if __name__ == "__main__":
    main()
