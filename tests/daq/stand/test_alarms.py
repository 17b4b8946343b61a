"""Which alarms stand, since when, and what makes them go."""

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, cast

import pytest

import daq
from daq.measure.convert import Column, Zero
from daq.procedure import fitness
from daq.procedure.effects import Alarm, StageNow
from daq.procedure.run import DISOBEYED
from daq.procedure.table import Do
from daq.publish import contract as c
from daq.publish.notices import Code, Notice
from daq.stand.alarms import CLEARED_BY, CLOSED, LINK_DOWN, Board, Gone
from daq.stand.finish import STORE_FAILED
from daq.stand.result import About
from daq.stand.said import Begun, Finished, Said, Stage, Zeroed
from drivers.block import Identity, Link, LinkChange, Trip
from tests.daq.publish.samples import data
from tests.drivers.link.test_blocks import IDENTITY

NOW = datetime(2031, 5, 4, 7, 12, 9, tzinfo=UTC)
LATER = NOW + timedelta(minutes=3)
ABOUT = cast(About, None)
FILE = c.File(file="traces/1.parquet", sha256="0" * 64, bytes=1)


def ended(**files: Any) -> Finished:
    return Finished(data(**{"recording": None, "trace": None, **files}))


SAYS: dict[Gone, Said | Notice] = {
    Gone.NEXT_RUN: Begun(ABOUT, ()),
    Gone.NOTHING_ASKED: Stage(ABOUT, StageNow("shutoff", Do.WAIT, 9.0, asked=False), ("disk_full",)),
    Gone.ROOM: Stage(ABOUT, StageNow("shutoff", Do.WAIT, 9.0, asked=True), ("run_under_way",)),
    Gone.LINK_UP: LinkChange(Link.UP, ""),
    Gone.DEVICE_FITS: IDENTITY,
    Gone.STORED: ended(),
    Gone.RECORDED: ended(recording=FILE),
    Gone.TRACED: ended(trace=FILE),
    Gone.ZERO_TAKEN: Zeroed(Zero(0.0, 0.0, 0.0, 0.0, taken=True)),
}
RAISED = re.compile(r'\b(?:Alarm|Breach)\(\s*"(\w+)"')


def alarm(code: str, severity: str = "warn", text: str = "it is so") -> Alarm:
    return Alarm(code, severity, text, "mend it")


def raised_in_the_code() -> set[str]:
    """Every code that the program can say: written in it, or made of a cause."""
    files = Path(daq.__file__).parent.rglob("*.py")
    written = {code for file in files for code in RAISED.findall(file.read_text())}
    made = {why.replace(" ", "_") for why in (*DISOBEYED, *fitness._ADVICE)}
    faulty = {f"{column.name.lower()}_faulty" for column in fitness._CHANNELS} | {f"{Column.LEVEL.name.lower()}_faulty"}
    trips = {f"trip_{trip.name.lower()}" for trip in Trip if trip is not Trip.NONE}
    lasting = {code.value for code in Code if code is not Code.COMMAND}  # a request that was wrong does not last
    return written | made | faulty | trips | lasting | {LINK_DOWN, STORE_FAILED}


def test_the_table_holds_every_code_and_no_other() -> None:
    assert set(CLEARED_BY) == raised_in_the_code()
    assert all(why and gone for gone, why in CLEARED_BY.values())


@pytest.mark.parametrize("code", sorted(set(CLEARED_BY) - set(Code)))
def test_each_goes_with_its_cause_and_with_nothing_else(code: str) -> None:
    for gone, said in SAYS.items():
        board = Board()
        assert board.hear(alarm(code), NOW) == [code]
        # A run that is in the database says more than one thing: whatever files it has, it is stored.
        told = {gone} | ({Gone.STORED} if isinstance(said, Finished) else set())
        changed = board.hear(said, LATER)
        assert (changed == [code]) is bool(told & set(CLEARED_BY[code][0])), gone
        assert (code in board.active) is not bool(changed)


def test_a_notice_is_over_when_it_says_so() -> None:
    board = Board()
    assert board.hear(Notice(Code.BROKER, active=True, text="no route"), NOW) == ["broker"]
    assert board.active["broker"].payload.model_dump() == {
        "code": "broker",
        "severity": "warn",
        "since": NOW,
        "text": "no route",
        "do": "see to the broker and the network; results wait in the database",
    }
    assert board.hear(Notice(Code.OUTBOX, active=False, text="well"), NOW) == []
    assert board.hear(Notice(Code.BROKER, active=False, text="connected"), LATER) == ["broker"]
    assert not board.active


def test_a_line_that_is_down_until_it_is_up() -> None:
    board = Board()
    assert board.hear(LinkChange(Link.DOWN, "unplugged"), NOW) == [LINK_DOWN]
    assert board.active[LINK_DOWN].alarm.severity == "stop"
    assert board.hear(LinkChange(Link.UP, ""), LATER) == [LINK_DOWN]
    assert board.hear(LinkChange(Link.DOWN, CLOSED), LATER) == []


def test_said_again_it_stands_since_the_first_time() -> None:
    board = Board()
    board.hear(alarm("store_failed", text="disk full"), NOW)
    assert board.hear(alarm("store_failed", text="disk full"), LATER) == []
    assert board.hear(alarm("store_failed", text="locked"), LATER) == ["store_failed"]
    now = board.active["store_failed"]
    assert (now.alarm.text, now.since) == ("locked", NOW)


def test_a_milder_word_does_not_hide_a_graver_one() -> None:
    board = Board()
    board.hear(alarm("store_failed", "stop"), NOW)
    assert board.hear(alarm("store_failed", "warn"), LATER) == []
    assert board.active["store_failed"].alarm.severity == "stop"


def test_what_a_run_ended_with_outlasts_the_run() -> None:
    board = Board()
    board.hear(alarm("over_pressure", "stop"), NOW)
    for said in (ended(recording=FILE, trace=FILE), Stage(None, None, ()), LinkChange(Link.UP, "")):
        assert board.hear(said, LATER) == []
    assert board.hear(Begun(ABOUT, ()), LATER) == ["over_pressure"]


def test_an_identity_is_no_alarm() -> None:
    assert isinstance(IDENTITY, Identity)
    assert Board().hear(IDENTITY, NOW) == []
