"""Every payload is written as the contract page says; its examples are the check."""

import json
import math
import re
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel, ValidationError

from daq.procedure.table import STAGES, Do
from daq.publish import contract
from daq.publish.contract import (
    CODES,
    COMMANDS,
    Alarm,
    Channel,
    Finding,
    Heartbeat,
    Live,
    Meta,
    Reply,
    Result,
    ResultData,
    Stage,
    Status,
    Verdict,
    Word,
    abandoned,
    clean,
    plain,
    quantity,
    text,
)
from daq.publish.text import DRIVEN, TEXTS, text_of
from tests.daq.publish.samples import FINDING, NOW, READING, RUN, STATUS, data

PAGE = Path(contract.__file__).with_name("README.md").read_text()
MODELS: dict[str, type[BaseModel]] = {
    "status": Status,
    "meta": Meta,
    "stage": Stage,
    "verdict": Verdict,
    "alarm": Alarm,
    "live": Live,
    "heartbeat": Heartbeat,
    "result": Result,
    "reply": Reply,
    **COMMANDS,
}


def example(name: str) -> str:
    """The example under the heading `name` of the contract page."""
    found = re.search(rf"^#+ {name}$.*?^```json\n(.*?)^```$", PAGE, re.MULTILINE | re.DOTALL)
    assert found, f"no example of {name}"
    return found[1]


def verdict(**changes: Any) -> Verdict:
    facts: dict[str, Any] = {
        "seq": 1842,
        "code": 1,
        "word": "pass",
        "why": "",
        "part": "MH-2140",
        "serial": "K00317",
        "run": RUN,
        "time": NOW,
        "sim": 0,
    }
    return Verdict(**{**facts, **changes})


@pytest.mark.parametrize("name", MODELS)
def test_the_examples_of_the_page_are_what_the_models_write(name: str) -> None:
    given = example(name)
    made = MODELS[name].model_validate_json(given)
    if name in COMMANDS:
        made_again = {k: v for k, v in plain(made).items() if v is not None}
        assert set(made_again) == set(json.loads(given))
    else:
        assert json.loads(text(made)) == json.loads(given)


def test_the_page_shows_the_verdict_byte_for_byte() -> None:
    assert example("verdict").strip() == text(Verdict.model_validate_json(example("verdict")))


def test_the_largest_verdict_has_256_bytes() -> None:
    largest = verdict(
        seq=2**31 - 1,
        code=3,
        word="undecided",
        why="w" * 24,
        part="P" * 32,
        serial="S" * 40,
        time=datetime(9999, 12, 31, 23, 59, 59, 999_999, tzinfo=UTC),
    )
    assert len(text(largest).encode()) == 256


@pytest.mark.parametrize(
    "change",
    [
        {"why": "w" * 25},
        {"part": "P" * 33},
        {"serial": "S" * 41},
        {"serial": 'K"1'},
        {"serial": "K\\1"},
        {"part": "MH–2140"},
        {"serial": ""},
        {"seq": 0},
        {"seq": 2**31},
        {"run": "0197"},
        {"code": 2},
        {"time": datetime(2031, 5, 4)},  # noqa: DTZ001
    ],
)
def test_a_verdict_that_a_plc_could_not_read_is_refused(change: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        verdict(**change)


def test_codes_follow_the_result_evaluation_of_opc_40001_101() -> None:
    # From memory of OPC 40001-101: 0 undefined, 1 OK, 2 not OK, 3 not decidable.
    assert CODES == {Word.VOID: 0, Word.PASS: 1, Word.FAIL: 2, Word.UNDECIDED: 3}


def test_times_are_utc_with_milliseconds_and_z() -> None:
    # RFC 3339, section 5.6: date-time with the offset Z.
    elsewhere = NOW.astimezone(timezone(timedelta(hours=9)))
    assert plain(STATUS.model_copy(update={"since": elsewhere}))["since"] == "2031-05-04T07:12:09.120Z"


def test_what_is_missing_is_null() -> None:
    assert quantity(None, "kPa", "gauge") is None
    live = Live(time=NOW, run=None, stage="idle", channels={"flow": None}, sim=0)
    assert '"channels":{"flow":null}' in text(live)
    assert plain(Channel(name="flow", unit="L/h", due=date(2032, 3, 1))) == {
        "name": "flow",
        "unit": "L/h",
        "reference": None,
        "low": None,
        "high": None,
        "calibrated": None,
        "due": "2032-03-01",
    }


def test_a_pressure_names_its_reference_and_nothing_else_does() -> None:
    assert plain(quantity(412.7, "kPa", "gauge")) == {  # type: ignore[arg-type]
        "value": 412.7,
        "unit": "kPa",
        "reference": "gauge",
    }
    assert plain(quantity(95.0, "L/h")) == {"value": 95.0, "unit": "L/h"}  # type: ignore[arg-type]


@pytest.mark.parametrize("number", [math.nan, math.inf, -math.inf])
def test_a_number_that_is_none_is_never_written(number: float) -> None:
    with pytest.raises(ValidationError):
        quantity(number, "kPa")
    with pytest.raises(ValidationError):
        Finding.model_validate(plain(FINDING) | {"p_conform": number})
    with pytest.raises(ValueError, match="not JSON compliant"):
        text(READING.model_copy(update={"value": number}))


def test_the_envelope_is_a_cloudevent_of_the_run() -> None:
    # CloudEvents 1.0: id, source, specversion and type are required (from memory).
    result = plain(Result.of(data()))
    envelope = {k: v for k, v in result.items() if k != "data"}
    assert envelope == {
        "specversion": "1.0",
        "id": RUN,
        "source": "/marrow-hill/bench-1",
        "type": "steadyhead.result.v1",
        "time": "2031-05-04T07:12:09.120Z",
        "subject": "K00317",
        "datacontenttype": "application/json",
    }
    assert ResultData.model_validate(result["data"]) == data()


def test_a_run_left_under_way_becomes_void() -> None:
    stored = plain(data()) | {"ended": None, "verdict": None, "why": None, "seq": None, "conditions": None}
    stored |= {"quality": None, "pump_on_s": None, "findings": [], "readings": [], "hints": None, "trace": None}
    made = abandoned(stored, seq=7, ended=NOW + timedelta(hours=1), why="daemon was killed")
    assert (made.verdict, made.why, made.seq, made.ended) == (
        Word.VOID,
        "daemon was killed",
        7,
        NOW + timedelta(hours=1),
    )
    assert (made.run, made.serial, made.findings, made.quality.scans_expected) == (RUN, "K00317", [], None)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"stage": "idle"}, "idle has none"),
        ({"run": None}, "a run has a stage"),
        ({"ready": True}, "expected a reason"),
        ({"blocked_by": []}, "expected a reason"),
    ],
)
def test_a_stage_that_contradicts_itself_is_refused(changes: dict[str, Any], said: str) -> None:
    with pytest.raises(ValidationError, match=said):
        Stage.model_validate(json.loads(example("stage")) | changes)


def test_every_act_has_a_sentence() -> None:
    assert set(TEXTS) == set(Do)
    assert all(TEXTS[do] for do in Do if do is not Do.NONE)


@pytest.mark.parametrize("stage", STAGES)
def test_a_driven_stand_says_what_it_does_itself(stage: str) -> None:
    """Where a person only waits; what only a person can do is asked in the same words on every stand."""
    assert text_of(Do.WAIT, f"{stage}.2", driven=True) == DRIVEN[stage]
    assert text_of(Do.IMMERSE, stage, driven=True) == TEXTS[Do.IMMERSE]
    assert text_of(Do.WAIT, stage, driven=False) == TEXTS[Do.WAIT]


def test_who_confirms_that_the_unit_is_connected_says_that_the_valve_is_open() -> None:
    """Where the stand moves the valve it knows, and does not ask."""
    assert "valve is open" in text_of(Do.CONNECT, "connect", driven=False)
    assert "valve" not in text_of(Do.CONNECT, "connect", driven=True)


def test_nobody_opens_a_valve_that_opens_by_itself() -> None:
    assert "Open the valve" not in text_of(Do.REMOVE, None, driven=True)
    assert text_of(Do.WAIT, None, driven=True) == TEXTS[Do.WAIT]


def test_words_are_cut_and_cleaned_for_a_plc() -> None:
    assert clean('flow at 300 kPa "–\\', 24) == "flow at 300 kPa ???"
    assert verdict(why=clean("x" * 99, 24)).why == "x" * 24
