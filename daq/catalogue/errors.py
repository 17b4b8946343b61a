"""What can be wrong with the configuration, said so that a technician can mend it."""

from collections.abc import Sequence
from dataclasses import dataclass

from daq.printable import escaped


@dataclass(frozen=True, slots=True)
class Problem:
    """One mistake: where it stands, what was expected there, what was found, and what to do about it.

    `key` is the path inside the file with tables of a list counted from 1, such as `requirement[2].at_least`; it is
    empty where the whole file is meant.
    """

    file: str
    key: str
    expected: str
    found: str
    do: str

    def __str__(self) -> str:
        place = f"{self.file}: {self.key}" if self.key else self.file
        return escaped(f"{place}: expected {self.expected}, found {self.found}; {self.do}")


class CatalogueError(Exception):
    """Configuration that cannot be used; `problems` holds every mistake that was found, at least one."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        super().__init__("\n".join(str(p) for p in problems))
        self.problems = tuple(problems)


class UnknownPartError(CatalogueError):
    """A part number that the catalogue does not hold."""
