"""The contract page explains every word that the outside can meet: why no run can begin, and each alarm's code."""

import re
from pathlib import Path

from daq.publish import contract
from daq.stand.alarms import CLEARED_BY
from daq.stand.errors import BLOCKED

PAGE = Path(contract.__file__).with_name("README.md").read_text(encoding="utf-8")
ROW = re.compile(r"^\| `([a-z_]+)` \| (.+) \|$", re.MULTILINE)


def explained(heading: str) -> list[str]:
    """The words in the first column of the table under a heading."""
    found = re.search(rf"^### {heading}$(.*?)^#", PAGE, re.MULTILINE | re.DOTALL)
    assert found, f"daq/publish/contract/README.md has no heading {heading!r}"
    return [word for word, _ in ROW.findall(found[1].split("| --- |", 1)[1])]


def test_every_word_why_no_run_can_begin() -> None:
    assert sorted(explained("Why no run can begin")) == sorted(BLOCKED), "add its row to daq/publish/contract/README.md"


def test_every_code_of_an_alarm() -> None:
    assert sorted(explained("Codes of alarms")) == sorted(CLEARED_BY), "add its row to daq/publish/contract/README.md"
