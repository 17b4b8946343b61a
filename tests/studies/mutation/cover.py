"""Which tests reach which lines, and how long each takes: from one run under coverage, kept by test file."""

import ast
import functools
import gc
import hashlib
import json
import os
import time
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import coverage
import pytest

from tests.studies.mutation.trial import ARGUMENTS, forget, forked

FOLDERS = ("tests/daq/measure", "tests/daq/judge", "tests/daq/procedure")
PACKAGES = ("daq/measure", "daq/judge", "daq/procedure")
_CACHE = Path(".pytest_cache/mutation")
_IMPORT = ""
"""The context of what runs while modules are imported."""


@dataclass(slots=True)
class Reached:
    """Seconds of processor time by test, and the lines that each reaches by file; those of imports stand under ''."""

    seconds: dict[str, float] = field(default_factory=dict)
    lines: dict[str, dict[str, set[int]]] = field(default_factory=lambda: defaultdict(dict))

    def add(self, found: dict[str, dict[str, list[int]]], seconds: dict[str, float]) -> None:
        self.seconds |= seconds
        for file, by_test in found.items():
            for test, lines in by_test.items():
                self.lines[file].setdefault(test, set()).update(lines)

    def at_import(self, file: str, lines: Iterable[int]) -> bool:
        return not self.lines[file].get(_IMPORT, set()).isdisjoint(lines)

    def tests(self, file: str, lines: Iterable[int]) -> list[str]:
        """The tests that reach any of the lines: those of the module's own file first, the quickest before others."""
        return self._ordered(file, (t for t, reached in self.lines[file].items() if not reached.isdisjoint(lines)))

    def all_tests(self, file: str) -> list[str]:
        """The tests that reach the file at all, for a change that counts as soon as it is imported. Of a file that runs
        at import only, such as a table, nobody can tell whose it is: all tests."""
        return self._ordered(file, self.lines[file].keys() - {_IMPORT} or self.seconds)

    def _ordered(self, file: str, tests: Iterable[str]) -> list[str]:
        own = f"/test_{Path(file).name}::"
        return sorted((t for t in tests if t != _IMPORT), key=lambda t: (own not in t, self.seconds[t], t))


class Imported(Reached):
    """Instead of what coverage shows: the files of tests that import a module, themselves or through what tests share,
    or where there are none those that import a module which imports it; for `daq/procedure` also the whole runs. Needs
    no run before, and misses tests that reach a module in other ways.
    """

    def __init__(self, root: Path, tests: Sequence[str] = FOLDERS) -> None:
        super().__init__()
        self._imports = {file: _imported_by(root, file, set()) for file in _test_files(root, tests)}
        modules = [str(f.relative_to(root)) for package in PACKAGES for f in (root / package).glob("*.py")]
        self._within = {_module(file): _imported_by(root, file, set()) for file in modules}

    def tests(self, file: str, lines: Iterable[int]) -> list[str]:
        return self.all_tests(file)

    def all_tests(self, file: str) -> list[str]:
        meant, own = {_module(file)}, f"/test_{Path(file).name}"
        whole = "/test_run_" if file.startswith("daq/procedure/") else "\0"
        while not (found := [t for t, n in self._imports.items() if not meant.isdisjoint(n) or own in t or whole in t]):
            users = {user for user, names in self._within.items() if not meant.isdisjoint(names)}
            if users <= meant:
                return []
            meant |= users
        return sorted(found, key=lambda t: (own not in t, whole in t, t))

    def at_import(self, file: str, lines: Iterable[int]) -> bool:
        return False


class Recorder:
    """Runs tests under coverage, each as a context of its own."""

    def __init__(self, cover: coverage.Coverage) -> None:
        self._cover = cover
        self._caches: list[functools._lru_cache_wrapper[object]] = []
        self.seconds: dict[str, float] = {}
        self.failed: set[str] = set()

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            self.failed.add(report.nodeid)

    def pytest_collection_finish(self) -> None:
        self._caches = [c for c in gc.get_objects() if isinstance(c, functools._lru_cache_wrapper) and _ours(c)]

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        for cache in self._caches:  # what one test has cached is reached by the next one too
            cache.cache_clear()
        self._cover.switch_context(item.nodeid)
        began = time.process_time()
        result = yield
        self.seconds[item.nodeid] = round(time.process_time() - began, 4)
        self._cover.switch_context(_IMPORT)
        return result


def _ours(cached: object) -> bool:
    return str(getattr(cached, "__module__", "")).split(".")[0] in {"daq", "simulator", "tests"}


def reached_by_tests(root: Path, tests: Sequence[str] = FOLDERS) -> Reached:
    """What every test of some folders and files reaches. Files that have not changed since are not run again.

    A test that fails although nothing was changed, such as one of speed under coverage, tells nothing of a mutant and
    is left out.

    Raises:
        RuntimeError: the tests could not be run.
    """
    files = _test_files(root, tests)
    common = _digest(root, (f for f in _sources(root) if not Path(f).name.startswith("test_")))
    place = {file: root / _CACHE / f"{_digest(root, [file], common)}.json" for file in files}
    missing = [file for file in files if not place[file].exists()]
    (root / _CACHE).mkdir(parents=True, exist_ok=True)
    if missing and forked(lambda: _record(root, missing, place)) != 0:
        raise RuntimeError(f"the tests cannot be run as they are: {' '.join(missing)}")
    reached = Reached()
    for file in files:
        kept = json.loads(place[file].read_text())
        reached.add(kept["lines"], kept["seconds"])
    return reached


def _record(root: Path, files: list[str], place: dict[str, Path]) -> None:
    cover = coverage.Coverage(data_file=None, source=[str(root / p) for p in PACKAGES], config_file=False)
    recorder = Recorder(cover)
    forget()
    cover.start()
    code = pytest.main([*ARGUMENTS, *files], plugins=[recorder])
    cover.stop()
    if code not in (pytest.ExitCode.OK, pytest.ExitCode.TESTS_FAILED):
        os._exit(1)
    data = cover.get_data()
    found: dict[str, dict[str, dict[str, set[int]]]] = defaultdict(lambda: defaultdict(lambda: defaultdict(set)))
    for measured in data.measured_files():
        source = str(Path(measured).relative_to(root))
        for line, contexts in data.contexts_by_lineno(measured).items():
            for context in contexts:
                for file in files if context == _IMPORT else [context.split("::")[0]]:
                    found[file][source][context].add(line)
    for file in files:
        lines = {
            source: {test: sorted(n) for test, n in by_test.items() if test not in recorder.failed}
            for source, by_test in found[file].items()
        }
        seconds = {test: s for test, s in recorder.seconds.items() if test.split("::")[0] == file}
        place[file].write_text(json.dumps({"seconds": seconds, "lines": lines}))
    os._exit(0)


def _test_files(root: Path, tests: Sequence[str]) -> list[str]:
    places = [root / place for place in tests]
    found = {f for place in places for f in (place.glob("test_*.py") if place.is_dir() else [place])}
    return sorted(str(f.relative_to(root)) for f in found)


def _module(file: str) -> str:
    return file.removesuffix(".py").replace("/", ".")


def _imported_by(root: Path, file: str, seen: set[str]) -> frozenset[str]:
    """The modules that a file imports, and those that the helpers of tests import which it imports."""
    found = set[str]()
    for node in ast.walk(ast.parse((root / file).read_text())):
        if isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module)
            found |= {f"{node.module}.{name.name}" for name in node.names}
    for helper in {n for n in found if n.startswith("tests.")} - seen:
        path = helper.replace(".", "/") + ".py"
        if (root / path).exists():
            seen.add(helper)
            found |= _imported_by(root, path, seen)
    return frozenset(found)


def _sources(root: Path) -> list[str]:
    folders = ("daq", "drivers", "simulator", "config", "tests/simulator", *FOLDERS)
    found = [f for folder in folders for ending in ("py", "toml") for f in (root / folder).rglob(f"*.{ending}")]
    return sorted(str(f.relative_to(root)) for f in found)


def _digest(root: Path, files: Iterable[str], begun: str = "") -> str:
    digest = hashlib.sha256(begun.encode())
    for file in files:
        digest.update(file.encode() + b"\0" + (root / file).read_bytes())
    return digest.hexdigest()[:24]
