"""The stand and the catalogue, loaded from a configuration directory, and the check of both."""

import os
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from itertools import pairwise
from pathlib import Path
from typing import Any

from daq.catalogue import units
from daq.catalogue.cautions import read_cautions
from daq.catalogue.errors import CatalogueError, Problem, UnknownPartError
from daq.catalogue.find import PARTS, closed, folder, stand_file
from daq.catalogue.part_tables import PartTable
from daq.catalogue.requirement_table import context_of
from daq.catalogue.source import Source, body_of, open_source, validate
from daq.catalogue.stand_file import StandConfig, read_stand
from daq.procedure.plan import Part, Stand

_LISTED = 6
"""Part numbers that a message lists; with a usual one's length it then fits a reply of 200 characters."""


FREE = ("name", "description", "fluid", "number", "source", "certificate", "title", "text")
"""Keys whose text is for people."""


@dataclass(frozen=True, slots=True)
class Entry:
    """A part and the file it was read from, whole: `part.digest` is the SHA-256 of that file's bytes."""

    part: Part
    path: Path
    text: str

    @property
    def body(self) -> dict[str, Any]:
        """The file's tables, fit for JSON."""
        return body_of(self.text)


class Catalogue:
    """All parts of a directory, by number."""

    def __init__(self, directory: Path, entries: Mapping[str, Entry]) -> None:
        self.directory = directory
        self._entries = dict(sorted(entries.items()))

    def __iter__(self) -> Iterator[Entry]:
        return iter(self._entries.values())

    def __len__(self) -> int:
        return len(self._entries)

    def part(self, number: str) -> Part:
        """The part of that number.

        Raises:
            UnknownPartError: there is none; the text lists what there is and what comes close.
        """
        return self.entry(number).part

    def entry(self, number: str) -> Entry:
        """As `part`, with the file it came from."""
        try:
            return self._entries[number]
        except KeyError:
            known = list(self._entries)
            close = get_close_matches(number.upper(), known, 3, 0.7)
            do = f"did you mean {' or '.join(close)}?" if close else "add a file for it, or correct the number"
            problem = Problem(str(self.directory), "", f"one of {_some(known)}", f"part number {number!r}", do)
            raise UnknownPartError([problem]) from None


def _some(numbers: list[str]) -> str:
    """Part numbers for a message, which has to stay short where there are hundreds."""
    more = f" … ({len(numbers)} in all)" if len(numbers) > _LISTED else ""
    return (", ".join(numbers[:_LISTED]) or "no parts at all") + more


def load_stand(config: Path) -> StandConfig:
    """The stand of a configuration: a file, or a directory with its stand.toml.

    Raises:
        CatalogueError: with everything that is wrong with it.
    """
    stand, problems = read_stand(stand_file(config))
    if stand is None:
        raise CatalogueError(problems)
    return stand


def load_catalogue(config: Path, stand: Stand | None = None) -> Catalogue:
    """The parts of a configuration, checked against what the stand can judge where it is given.

    Raises:
        CatalogueError: with everything that is wrong in any of them.
    """
    entries, problems = _read_parts(config, stand)
    if problems:
        raise CatalogueError(problems)
    return Catalogue(folder(config) / PARTS, {entry.part.number: entry for entry in entries})


def check(config: Path) -> list[Problem]:
    """Every mistake in a configuration. Without a sound stand, ranges are not checked."""
    stand, problems = read_stand(stand_file(config))
    return problems + _read_parts(config, stand.stand if stand else None)[1] + read_cautions(config)[1]


def respelled(config: Path) -> Iterator[str]:
    """A line for each value whose unit is read though it is spelled in another way than ours."""
    for path in (stand_file(config), *sorted((folder(config) / PARTS).glob("*.toml"))):
        source = open_source(path)
        if isinstance(source, Source):
            for key, text in source.texts():
                if key.rpartition(".")[2] not in FREE and (read := units.respelled(text)):
                    yield f"{path}: {key}: {text!r} is read as {read!r}"


def _read_parts(config: Path, stand: Stand | None) -> tuple[list[Entry], list[Problem]]:
    parts = folder(config) / PARTS
    if parts.is_dir() and not os.access(parts, os.R_OK | os.X_OK):  # it would look empty
        return [], [closed(parts)]
    paths = sorted(parts.glob("*.toml"))
    if not paths:
        return [], [Problem(str(parts), "", "a file NAME.toml for each part", "none", "add one")]
    sources = [open_source(path) for path in paths]
    entries, problems = [], [source for source in sources if isinstance(source, Problem)]
    sound = [source for source in sources if isinstance(source, Source)]
    for source in sound:
        entry, mistakes = _read_part(source, stand)
        problems += mistakes
        entries += [entry] if entry else []
    return entries, problems + _same_numbers(sound)


def _read_part(source: Source, stand: Stand | None) -> tuple[Entry | None, list[Problem]]:
    table, problems = validate(PartTable, source, context_of(source.tables, stand))
    problems += _same_names(source)
    if table is None or problems:
        return None, problems
    return Entry(table.build(source.digest), source.path, source.text), []


def _same_names(source: Source) -> list[Problem]:
    """Requirements of one part that share a name."""
    tables = source.tables.get("requirement")
    named = [(t.get("name"), k) for k, t in enumerate(_tables(tables), start=1) if isinstance(t.get("name"), str)]
    return [
        source.problem(
            f"requirement[{k}].name", "a name of its own", f"{name!r}, as requirement[{first}]", "rename one"
        )
        for (name, k), (_, first) in _repeats(named)
    ]


def _same_numbers(sources: Iterable[Source]) -> list[Problem]:
    """Parts that share a number."""
    numbered = [(s.tables.get("number"), s) for s in sources if isinstance(s.tables.get("number"), str)]
    return [
        source.problem("number", "a number of its own", f"{number!r}, as in {first.path}", "remove or renumber one")
        for (number, source), (_, first) in _repeats(numbered)
    ]


def _repeats(named: list[tuple[Any, Any]]) -> Iterator[tuple[tuple[Any, Any], tuple[Any, Any]]]:
    """Each pair whose name an earlier pair has, with the one before it."""
    for before, pair in pairwise(sorted(named, key=lambda pair: str(pair[0]))):
        if before[0] == pair[0]:
            yield pair, before


def _tables(value: object) -> list[dict[str, Any]]:
    return [table for table in value if isinstance(table, dict)] if isinstance(value, list) else []
