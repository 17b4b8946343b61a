"""What the log says of stand, run and level, and that a plug that is loose does not fill a disk."""

import asyncio
import json
import logging
from typing import Any

import pytest

from daq.watch.log import ABOUT, Libraries, Log, Told


class Clock:
    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


def lines(capsys: pytest.CaptureFixture[str]) -> list[dict[str, Any]]:
    return [json.loads(line) for line in capsys.readouterr().out.splitlines()]


def log_at(clock: Clock) -> Log:
    return Log(as_json=True, unread=lambda: None, clock=clock)


@pytest.mark.parametrize(
    ("record", "level"),
    [
        ({"event": "alarm", "severity": "stop"}, "error"),
        ({"event": "alarm", "severity": "warn"}, "warning"),
        ({"event": "notice", "active": True}, "warning"),
        ({"event": "notice", "active": False}, "info"),
        ({"event": "run_begun"}, "info"),
        ({"event": "reload_refused", "level": "error"}, "error"),
    ],
)
def test_how_grave_it_is(record: dict[str, Any], level: str, capsys: pytest.CaptureFixture[str]) -> None:
    log_at(Clock())(record)
    [said] = lines(capsys)
    assert said["level"] == level
    assert said["timestamp"].endswith("Z")


def test_what_is_said_in_pythons_own_way_says_at_which_stand() -> None:
    """A task begins with what was set where it was made, so one stand's lines never bear another's name."""
    said: list[dict[str, Any]] = []
    handler, speaking = Libraries(said.append), logging.Logger("some.library")
    speaking.addHandler(handler)

    async def at(stand: str) -> None:
        ABOUT.set(stand)
        await asyncio.create_task(asyncio.to_thread(speaking.warning, "of %s", stand))

    async def both() -> None:
        await asyncio.gather(at("marrow-hill/bench-1"), at("marrow-hill/bench-2"))
        speaking.warning("of none")

    asyncio.run(both())
    assert {(r["text"], r.get("stand")) for r in said} == {
        ("of marrow-hill/bench-1", "marrow-hill/bench-1"),
        ("of marrow-hill/bench-2", "marrow-hill/bench-2"),
        ("of none", None),
    }


def test_each_line_of_a_run_says_which_one() -> None:
    said: list[dict[str, Any]] = []
    told = Told("marrow-hill/bench-1", said.append)
    for record in (
        {"event": "link"},
        {"event": "run_begun", "run": "7"},
        {"event": "alarm"},
        {"event": "stage", "run": None},
        {"event": "run_finished", "run": "7"},
        {"event": "alarm"},
    ):
        told(record)
    assert [entry["run"] for entry in said] == [None, "7", "7", None, "7", None]
    assert {entry["stand"] for entry in said} == {"marrow-hill/bench-1"}


def test_what_flaps_is_kept_back_and_counted(capsys: pytest.CaptureFixture[str]) -> None:
    clock = Clock()
    log = log_at(clock)
    for k in range(50):
        log({"event": "link", "stand": "bench-1", "reason": str(k)})
    log({"event": "link", "stand": "bench-2"})
    assert [entry["stand"] for entry in lines(capsys)] == ["bench-1"] * 20 + ["bench-2"]
    clock.now = 61.0
    log({"event": "link", "stand": "bench-1", "reason": "again"})
    kept, again = lines(capsys)
    assert (kept["event"], kept["what"], kept["stand"], kept["number"]) == ("kept_back", "link", "bench-1", 30)
    assert again["reason"] == "again"


def test_no_verdict_is_kept_back(capsys: pytest.CaptureFixture[str]) -> None:
    log = log_at(Clock())
    for k in range(50):
        log({"event": "run_finished", "run": str(k)})
    assert len(lines(capsys)) == 50


def test_libraries_and_mistakes_of_ours_speak_in_the_same_log(capsys: pytest.CaptureFixture[str]) -> None:
    logger = logging.getLogger("tests.somebody")
    handler = Libraries(log_at(Clock()))
    logger.addHandler(handler)
    try:
        logger.info("too small to tell")
        try:
            raise ValueError("a mistake")
        except ValueError:
            logger.exception("run %s ended", 7)
    finally:
        logger.removeHandler(handler)
    [said] = lines(capsys)
    assert (said["event"], said["level"], said["logger"], said["text"]) == ("log", "error", logger.name, "run 7 ended")
    assert "ValueError: a mistake" in said["trace"]
