"""The rows of README.md in this folder, as test ids; and whether a test of one runs code of the project."""

import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path
from types import FrameType

import pytest

HERE = Path(__file__).parent
_ROOT = HERE.parents[1]
_PRODUCT = tuple(str(_ROOT / package) + "/" for package in ("daq", "drivers", "simulator"))
_ROW = re.compile(r"\bV(\d+)\.([1-9]\d*)\b")


def rows(*ids: str) -> pytest.MarkDecorator:
    """Names the rows that a test checks; they stand in its id, so that `pytest -k V5.12` finds it."""
    return pytest.mark.parametrize("row", ["-".join(ids)], indirect=True)


def rows_in(text: str) -> set[str]:
    """The rows that a test's id names."""
    return {match.group() for match in _ROW.finditer(text)}


def listed() -> Iterator[tuple[str, str, str]]:
    """Each row of the table in README.md, with what it says of it and where it is checked."""
    for line in (HERE / "README.md").read_text(encoding="utf-8").splitlines():
        if not line.startswith("| V"):
            continue
        ids, what, *_, where = [cell.strip() for cell in line.strip("|").split(" | ")]
        for part in ids.split(", "):
            ends = _ROW.findall(part)
            chapter, first, last = ends[0][0], int(ends[0][1]), int(ends[-1][1])
            yield from ((f"V{chapter}.{k}", what, where) for k in range(first, last + 1))


@cache
def witnesses() -> frozenset[str]:
    """The rows whose checks run no code of the project, and say so."""
    return frozenset(row for row, what, _ in listed() if "(witness check)" in what)


@contextmanager
def entering() -> Iterator[list[str]]:
    """Notes the first function of the project that is called meanwhile; to import a module is not to call it."""
    entered: list[str] = []

    def note(frame: FrameType, event: str, _: object) -> None:
        code = frame.f_code
        if event == "call" and code.co_filename.startswith(_PRODUCT) and code.co_flags & _FUNCTION:
            entered.append(f"{code.co_filename}: {code.co_qualname}")
            sys.setprofile(before)

    before = sys.getprofile()
    sys.setprofile(note)
    try:
        yield entered
    finally:
        sys.setprofile(before)


_FUNCTION = 0x2
"""CO_NEWLOCALS: set in the code of functions and methods, not in that of modules and classes (see `inspect`)."""
