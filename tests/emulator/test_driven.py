"""A stand that drives itself comes to the same with the reference firmware as with ours: every part of the catalogue,
every stage of the three kinds of unit, and a unit that must fail. `python -m tests.studies.firmware` runs all of them
under all firmwares; here each part runs once under another firmware than ours."""

from pathlib import Path

import pytest

from tests.emulator.driven_run import PARTS, Driven, run

AWAY = {"host": 0.4, "avr": 0.5}
"""How far a reading may lie from that with our firmware, as a share of its U: the runs are not the same run, since a
valve in motion meets other scans, and the microcontroller's converter has 10 bits instead of 12."""
OVERSHOOT, SHUT_S = 20e3, 5.0
"""What the stand's file allows pressure to overshoot, Pa, and how long a unit is held at shutoff at most."""
FEWEST = 14
"""Readings of any of these runs."""

CASES = [
    ("good-pump", "avr"),
    ("module", "avr"),
    ("module-return", "avr"),
    ("weak-pump", "host"),
    ("high-pressure", "host"),
    ("displacement", "host"),
]


def test_every_part_is_tried() -> None:
    assert {unit for unit, _ in CASES} == set(PARTS)


@pytest.mark.parametrize(("unit", "firmware"), CASES)
def test_a_driven_run(unit: str, firmware: str, tmp_path: Path) -> None:
    mine, theirs = (run(_folder(tmp_path, name), unit, name) for name in ("python", firmware))
    assert theirs.data.verdict == mine.data.verdict == ("fail" if unit == "weak-pump" else "pass")
    assert theirs.data.why == mine.data.why
    assert theirs.stages == mine.stages
    assert "throttle" in theirs.stages
    assert findings(theirs) == findings(mine) != []
    assert theirs.data.quality.scans_received == theirs.data.quality.scans_expected > 15_000
    assert (theirs.data.quality.frames_lost, theirs.data.quality.frames_bad) == (0, 0)
    assert theirs.overshoot <= OVERSHOOT
    assert 1.0 < theirs.shut_s <= max(SHUT_S, mine.shut_s + 1.0)
    check_readings(mine, theirs, AWAY[firmware])


def test_a_stand_that_states_too_short_a_travel_gets_no_power(tmp_path: Path) -> None:
    """The firmware tells the valve moving for the 2 s that its actuator takes; the stand says 1.2 s."""
    made = run(tmp_path, "good-pump", "host", travel=1.2)
    assert (made.data.verdict, made.data.why) == ("void", "valve slower than stated")
    assert made.data.pump_on_s == 0.0
    assert not made.truth[:, 2].any()


def findings(driven: Driven) -> list[tuple[str, str | None, str]]:
    return [(f.requirement, f.reading, f.finding) for f in driven.data.findings]


def check_readings(mine: Driven, theirs: Driven, share: float) -> None:
    found = {reading.name: reading for reading in theirs.data.readings}
    assert list(found) == [reading.name for reading in mine.data.readings]
    assert len(found) >= FEWEST
    for reading in mine.data.readings:
        if reading.U is not None:
            assert found[reading.name].value == pytest.approx(reading.value, abs=share * reading.U), reading.name


def _folder(above: Path, name: str) -> Path:
    folder = above / name
    folder.mkdir()
    return folder
