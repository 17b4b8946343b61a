"""README.md in this folder says which row is checked where: it must be so, for each row and each test."""

import re
from collections.abc import Iterator
from pathlib import Path

HERE = Path(__file__).parent
LAST = {1: 19, 2: 26, 3: 25, 4: 21, 5: 40, 6: 20, 7: 25, 8: 21, 9: 21, 10: 13, 11: 35}
FIRST = {11: 24}
ROW = re.compile(r"\bV(\d+)\.([1-9]\d*)\b")

Row = tuple[int, int]


def listed() -> Iterator[tuple[Row, str]]:
    """Each row of the table with what its last column says."""
    for line in (HERE / "README.md").read_text(encoding="utf-8").splitlines():
        if not line.startswith("| V"):
            continue
        ids, *_, where = [cell.strip() for cell in line.strip("|").split(" | ")]
        for part in ids.split(", "):
            ends = [(int(a), int(b)) for a, b in ROW.findall(part)]
            yield from ((((ends[0][0], k)), where) for k in range(ends[0][1], ends[-1][1] + 1))


def named(file: Path) -> set[Row]:
    """The rows that a file of tests has among its quoted ids."""
    quoted = re.findall(r'"(V\d+\.\d+[^"]*)"', file.read_text(encoding="utf-8"))
    return {(int(a), int(b)) for text in quoted for a, b in ROW.findall(text)}


def test_every_row_is_listed_once() -> None:
    rows = sorted(row for row, _ in listed())
    assert rows == [(part, k) for part, last in LAST.items() for k in range(FIRST.get(part, 1), last + 1)]


def test_every_row_is_checked_where_the_table_says() -> None:
    files = {file.name: named(file) for file in HERE.glob("test_*.py") if file.name != Path(__file__).name}
    for row, where in listed():
        told = set(re.findall(r"test_\w+\.py", where))
        assert told or where.startswith("nothing"), row
        found = {name for name, rows in files.items() if row in rows}
        assert told == found, row
