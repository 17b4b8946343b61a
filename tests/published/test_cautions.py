"""The usual cautions: do README.md, and what is shown before a test, say what standards and the trade ask for?

Clauses are from memory unless said otherwise. Local codes, the authority in charge and licensed practice come first,
and a program is no interlock.
"""

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from daq.catalogue.cautions import load_cautions

ROOT = Path(__file__).parents[2]
README = ROOT / "README.md"


def told_in_readme() -> str:
    text = README.read_text(encoding="utf-8")
    return text[text.index("## Cautions") : text.index("## Two commands")]


def told_on_the_stand() -> str:
    return "\n".join(f"{c.title}. {c.text}" for c in load_cautions(ROOT / "config"))


ASKED = [
    # NFPA 30: ventilate, control ignition sources.
    pytest.param(("ventilate", "ignition|sparks"), id="V10.4"),
    # 29 CFR 1910.106(e)(6); NFPA 77: bond and earth.
    pytest.param(("earth",), id="V10.5"),
    # NFPA 70, articles 500 to 505; IEC 60079-10-1, 60079-14: ordinary electronics stay away from vapour.
    pytest.param(("away from fluid", "vapour"), id="V10.6"),
    # ISO 4113; MIL-PRF-7024 (names seen; the advice is common practice, no source): a fluid with a high flash point.
    pytest.param(("never petrol", "high flash point", "calibration oil"), id="V10.7"),
    # ANSI/ISEA Z87.1; EN 166: goggles at all times.
    pytest.param(("splash goggles", "at all times|all the time"), id="V10.8"),
    # ISO 4413: rated hoses, relief, no pressure before a joint is opened.
    pytest.param(("relief", "rated", "let the pressure down before"), id="V10.9"),
    # IEC 60204-1; ISO 13850: a wired stop.
    pytest.param(("emergency stop|stop circuit", "hardware"), id="V10.10"),
    # ISO 13849-1: no safety function in this program.
    pytest.param(("no safety function",), id="V10.11"),
    # NFPA 10: class B.
    pytest.param(("class b", "extinguisher"), id="V10.12"),
    # 29 CFR 1910.1200: the safety data sheet.
    pytest.param(("safety data sheet",), id="V10.13"),
]


@pytest.mark.parametrize("asked", ASKED)
def test_what_must_be_said_is_said(asked: tuple[str, ...]) -> None:
    """In README.md and in what a stand tells its people."""
    for told in (told_in_readme, told_on_the_stand):
        text = " ".join(told().lower().split())
        missing = [words for words in asked if not re.search(words, text)]
        assert missing == [], told.__name__


@pytest.mark.parametrize("told", [told_in_readme, told_on_the_stand], ids=["README", "cautions"])
def test_local_rules_come_first(told: Callable[[], str]) -> None:
    first = " ".join(told().lower().split())
    assert re.search(r"rules (of the place )?come first", first[:120])
    assert "licensed practice" in first
