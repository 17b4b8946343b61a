"""What a person at a terminal reads of a run."""

from typing import Any

import pytest

from daq.cli.show import Show


def shown(*records: dict[str, Any]) -> list[str]:
    lines: list[str] = []
    show = Show(lines.append)
    for record in records:
        show.hear(record)
    return lines


def stage(name: str, do: str, text: str, *, asked: bool) -> dict[str, Any]:
    return {"event": "stage", "run": "0197", "stage": name, "t": 5.0, "do": do, "text": text, "asked": asked}


@pytest.mark.parametrize(
    ("record", "ending"),
    [
        (stage("connect", "connect", "Connect it", asked=True), "connect      Connect it, then confirm"),
        (stage("fill", "wait", "Wait", asked=True), "fill         Wait, and confirm when it is full"),
        (stage("fill", "wait", "Wait", asked=False), "fill         Wait"),
    ],
)
def test_where_no_signal_tells_it_says_that_a_person_must(record: dict[str, Any], ending: str) -> None:
    [line] = shown(record)
    assert line.endswith(ending)


def test_the_same_act_is_shown_again_once_it_must_be_confirmed() -> None:
    lines = shown(*(stage("throttle", "close_valve", "Shut the valve", asked=asked) for asked in (False, False, True)))
    assert [line.strip().endswith("then confirm") for line in lines] == [False, True]


def test_a_line_that_is_up_is_told_once_and_again_after_it_was_down() -> None:
    changes = [("up", "identified"), ("up", "it is open"), ("down", "hung up"), ("up", "it is open")]
    lines = shown(*({"event": "link", "link": link, "reason": reason} for link, reason in changes))
    assert lines == ["device up: identified", "device down: hung up", "device up: it is open"]


def test_a_run_that_is_over_ends_with_what_may_be_behind_it() -> None:
    causes = ("worn pump", "air", "relief valve")
    hints = [{"cause": c, "rank": k, "for": [], "against": [], "basis": "custom"} for k, c in enumerate(causes, 1)]
    facts = {"verdict": "fail", "why": "flow", "seq": 3, "pump_on_s": 24.0, "findings": [], "hints": hints}
    lines = shown({"event": "run_finished", **facts})
    assert [line.split(maxsplit=1) for line in lines[1:]] == [["perhaps", f"{c} (custom)"] for c in causes[:2]]
