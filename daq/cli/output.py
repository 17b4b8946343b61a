"""How commands speak: tables in a terminal, plain data when piped, JSON when asked; errors on standard error."""

import json
import os
import sys
from collections.abc import Collection, Iterable, Sequence
from typing import TYPE_CHECKING, Any, Literal

from daq.printable import escaped, escaped_lines

if TYPE_CHECKING:
    from rich.table import Table

PROGRAM = "steadyhead"


def in_terminal() -> bool:
    """Whether a person reads standard output."""
    return sys.stdout.isatty()


def put(text: str) -> None:
    """Writes lines of data. Whatever stands in them, a terminal is not steered by it."""
    sys.stdout.write(escaped_lines(text) + "\n")


def put_json(value: Any) -> None:
    """Writes a value as JSON: indented for people, on one line when piped. Dates and paths become text."""
    put(json.dumps(value, indent=2 if in_terminal() else None, ensure_ascii=False, allow_nan=False, default=str))


def put_record(record: dict[str, Any]) -> None:
    """Writes one of many records: JSON on one line, at once."""
    put(json.dumps(record, ensure_ascii=False, allow_nan=False, default=str))
    sys.stdout.flush()


def put_table(head: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    """Writes rows: a table with its head in a terminal, else lines with tabs between the fields and no head."""
    lines = [["" if cell is None else escaped(str(cell)) for cell in row] for row in rows]
    if not in_terminal():
        for line in lines:
            put("\t".join(line))
        return
    from rich.console import Console

    Console().print(table(head, lines))


def table(head: Sequence[str], lines: Iterable[Sequence[str]], right: Collection[str] = ()) -> "Table":
    """Rows with their head, to be shown in a terminal; the columns named in `right` hold numbers."""
    from rich import box
    from rich.table import Table
    from rich.text import Text

    made = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), pad_edge=False)
    for name in head:
        justify: Literal["left", "right"] = "right" if name in right else "left"
        made.add_column(name, justify=justify, overflow="fold")  # a path that is cut short is of no use
    for line in lines:
        made.add_row(*(Text(cell) for cell in line))
    return made


def put_pairs(pairs: Iterable[tuple[str, object]]) -> None:
    """Writes names and values, one pair a line."""
    shown = [(name, "" if value is None else escaped(str(value))) for name, value in pairs]
    width = max((len(name) for name, _ in shown), default=0)
    for name, value in shown:
        put(f"{name:<{width}}  {value}" if in_terminal() else f"{name}\t{value}")


def silence() -> None:
    """Nobody reads standard output any more: what is still written there goes nowhere, and Python complains of nothing
    at its end."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def note(text: str) -> None:
    """Says something to a person at a terminal; nothing when standard error is piped."""
    if sys.stderr.isatty():
        sys.stderr.write(escaped_lines(text) + "\n")


def complain(text: str) -> None:
    """Writes an error: what, where, expected, found, what to do."""
    sys.stderr.write(f"{PROGRAM}: {escaped_lines(text)}\n")
