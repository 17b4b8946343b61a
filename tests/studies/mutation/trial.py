"""Runs tests against a changed module, in a process of its own that ends with the first test that fails.

A process that has imported and collected everything once is forked for each mutant, and the code of the changed
functions is put in place of the old: what costs seconds otherwise costs milliseconds. A change that counts while
modules are imported (a constant, a default, a table that is made then) gets a process that imports everything again.
"""

import gc
import importlib.abc
import importlib.machinery
import importlib.util
import math
import os
import resource
import signal
import sys
import time
from collections.abc import Callable, Sequence
from enum import StrEnum
from types import CodeType, FunctionType, ModuleType

import pytest

from tests.studies.mutation.mutants import Mutant

ARGUMENTS = (
    *("-q", "--tb=no", "--no-header", "-p", "no:cacheprovider", "-p", "no:faulthandler", "-o", "timeout=0"),
    *("-W", "ignore::pytest.PytestAssertRewriteWarning"),  # what was imported before a child began
)
KILLED = 10
SURVIVED = 11
BROKEN = 12
_OURS = frozenset({"daq", "drivers", "simulator", "tests"})
MEMORY = 4 << 30
"""Bytes of address space; a mutant that gathers without end is stopped before the machine suffers."""


class Outcome(StrEnum):
    """What became of a mutant. One that ran out of processor time or memory is killed too, and counted by itself."""

    KILLED = "killed"
    TIMED_OUT = "timed out"
    SURVIVED = "survived"
    NOT_REACHED = "not reached"


class Chosen:
    """Lets the chosen tests run in their order, and ends the process at the first that fails.

    A test that nothing is known of runs too: the change may have altered its name.
    """

    def __init__(self, tests: Sequence[str], known: frozenset[str], longest: float = math.inf) -> None:
        self._until = time.process_time() + longest
        self._place = {test: k for k, test in enumerate(tests)}
        self._known = known

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        kept = [i for i in items if i.nodeid in self._place or i.nodeid not in self._known]
        items[:] = sorted(kept, key=lambda i: self._place.get(i.nodeid, len(self._place)))

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            os._exit(KILLED)
        if time.process_time() > self._until:
            os._exit(SURVIVED)


class Served:
    """In the place of running what was collected: calls `serve` with it."""

    def __init__(self, serve: Callable[[dict[str, pytest.Item]], None]) -> None:
        self._serve = serve

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        self._serve({item.nodeid: item for item in session.items})
        return True

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            os._exit(KILLED)


def try_in_place(
    items: dict[str, pytest.Item],
    tests: Sequence[str],
    mutant: Mutant,
    seconds: float,
    longest: float = math.inf,
) -> Outcome:
    """Tries a change to a function's body, with tests, or all those of files, that are collected already. No new one is
    begun after `longest` seconds of processor time."""

    def job() -> None:
        put_in_place(sys.modules[mutant.module], mutant.source)
        _run_in_order(items, tests, longest)

    return _outcome(forked(job, seconds))


def unchanged_passes(
    items: dict[str, pytest.Item], tests: Sequence[str], seconds: float, longest: float = math.inf
) -> bool:
    """Whether tests that are collected already, or all those of files, pass on the code as it is."""

    def job() -> None:
        _run_in_order(items, tests, longest)

    return _outcome(forked(job, seconds)) is Outcome.SURVIVED


def try_imported(
    tests: Sequence[str],
    known: frozenset[str],
    mutant: Mutant,
    seconds: float,
    longest: float = math.inf,
) -> Outcome:
    """Tries a change that counts at import; as `try_in_place`, and `known` are the tests that may be passed over."""

    def job() -> None:
        forget()
        sys.meta_path.insert(0, _Changed(mutant.module, mutant.source))
        files = sorted({test.split("::")[0] for test in tests})
        code = pytest.main([*ARGUMENTS, *files], plugins=[Chosen(tests, known, longest)])
        # Without a test that runs nothing has noticed; anything else that is not OK is an import that failed.
        os._exit(SURVIVED if code in (pytest.ExitCode.OK, pytest.ExitCode.NO_TESTS_COLLECTED) else KILLED)

    return _outcome(forked(job, seconds))


def _run_in_order(items: dict[str, pytest.Item], tests: Sequence[str], longest: float) -> None:
    """Runs them and ends the process: at the first that fails, or as survived."""
    of_files = {item.nodeid: item for test in tests for item in _items_of(items, test)}
    chosen, until = list(of_files.values()), time.process_time() + longest
    for item, after in zip(chosen, [*chosen[1:], None], strict=True):
        item.ihook.pytest_runtest_protocol(item=item, nextitem=after)
        if time.process_time() > until:
            break
    os._exit(SURVIVED)


def _items_of(items: dict[str, pytest.Item], test: str) -> list[pytest.Item]:
    """The test, or all those of a file."""
    return [items[test]] if test in items else [item for name, item in items.items() if name.startswith(f"{test}::")]


def put_in_place(module: ModuleType, source: str) -> None:
    """Gives the functions and methods of a module that was imported the code that they have in `source`."""
    assert module.__file__ is not None
    new = {c.co_qualname: c for c in _codes(compile(source, module.__file__, "exec"))}
    for function in gc.get_objects():
        if isinstance(function, FunctionType) and function.__code__.co_filename == module.__file__:
            code = new.get(function.__qualname__)
            if code is not None and code.co_freevars == function.__code__.co_freevars:
                function.__code__ = code


def forked(job: Callable[[], None], seconds: float | None = None) -> int:
    """Runs `job` in a child and gives the code that it ends with, minus the signal that ended it.

    `seconds` of processor time are all it gets; a hundred times as many by the clock, for what waits for nothing.
    """
    sys.stdout.flush()
    sys.stderr.flush()
    pid = os.fork()
    if pid == 0:
        try:
            _mute()
            if seconds is not None:
                resource.setrlimit(resource.RLIMIT_CPU, (int(seconds) + 1, int(seconds) + 2))
                resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
                signal.signal(signal.SIGALRM, signal.SIG_DFL)
                signal.setitimer(signal.ITIMER_REAL, 100.0 * seconds)
            job()
        finally:
            os._exit(BROKEN)
    return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])


def forget() -> None:
    """Has everything of the project imported again, which counting mutants has imported for itself."""
    for name in [n for n in sys.modules if n.split(".")[0] in _OURS and not n.startswith(__package__)]:
        del sys.modules[name]


def _mute() -> None:
    nothing = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nothing, 1)
    os.dup2(nothing, 2)


def _outcome(code: int) -> Outcome:
    if code in (KILLED, SURVIVED):
        return Outcome.KILLED if code == KILLED else Outcome.SURVIVED
    if -code in (signal.SIGXCPU, signal.SIGKILL, signal.SIGALRM, signal.SIGSEGV):
        return Outcome.TIMED_OUT
    raise RuntimeError(f"a trial ended with {code}, which says nothing of the mutant")


def _codes(code: CodeType) -> list[CodeType]:
    below = [c for c in code.co_consts if isinstance(c, CodeType)]
    return [*below, *(deeper for c in below for deeper in _codes(c))]


class _Changed(importlib.abc.MetaPathFinder):
    """Finds one module, with a source that does not lie on the disk."""

    def __init__(self, module: str, source: str) -> None:
        self._module, self._source = module, source

    def find_spec(self, fullname: str, path: object, target: object = None) -> importlib.machinery.ModuleSpec | None:
        if fullname != self._module:
            return None
        spec = importlib.machinery.PathFinder.find_spec(fullname, path)  # type: ignore[arg-type]
        assert spec is not None
        assert spec.origin is not None
        return importlib.util.spec_from_file_location(
            fullname, spec.origin, loader=_Source(fullname, spec.origin, self._source)
        )


class _Source(importlib.machinery.SourceFileLoader):
    def __init__(self, fullname: str, path: str, source: str) -> None:
        super().__init__(fullname, path)
        self._source = source

    def get_code(self, fullname: str) -> CodeType:
        return compile(self._source, self.path, "exec")
