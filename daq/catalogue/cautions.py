"""The warnings that people are shown before they test."""

from dataclasses import dataclass
from pathlib import Path

from pydantic import Field

from daq.catalogue.errors import CatalogueError, Problem
from daq.catalogue.fields import Table
from daq.catalogue.find import folder
from daq.catalogue.source import open_source, validate

CAUTIONS_FILE = "cautions.toml"


@dataclass(frozen=True, slots=True)
class Caution:
    """One warning: a title and a sentence or two."""

    title: str
    text: str


class CautionTable(Table):
    title: str = Field(min_length=1)
    text: str = Field(min_length=1)


class CautionsTable(Table):
    caution: list[CautionTable] = Field(min_length=1)


def read_cautions(config: Path) -> tuple[tuple[Caution, ...], list[Problem]]:
    """The cautions of a configuration, or what is wrong with them. A site may not leave them out."""
    source = open_source(folder(config) / CAUTIONS_FILE)
    if isinstance(source, Problem):
        return (), [source]
    table, problems = validate(CautionsTable, source)
    return tuple(Caution(c.title, c.text) for c in table.caution) if table else (), problems


def load_cautions(config: Path) -> tuple[Caution, ...]:
    """The cautions of a configuration.

    Raises:
        CatalogueError: there are none, or they are malformed.
    """
    cautions, problems = read_cautions(config)
    if problems:
        raise CatalogueError(problems)
    return cautions
