"""A whole run of each kind as it is told: what is asked for stage by stage, what is noted, and what is read."""

import re

import pytest

from daq.procedure.effects import Noted, Outcome, StageNow, Taken
from daq.procedure.plan import Part
from daq.procedure.table import Do
from tests.daq.measure.blocks import LITRES_PER_HOUR, PRESSURE
from tests.daq.procedure.bench import Bench, Unit, carry_out, module, pump

FLOW = 125 * LITRES_PER_HOUR
LINE = PRESSURE.k_line * FLOW**2
TRUTH = {
    "dry_check": {"current": 5.0},
    "free_flow": {
        **{"flow": FLOW, "pressure": LINE, "current": 5.0, "voltage": 13.5, "power": 67.5},
        "efficiency": LINE * FLOW / 67.5,
    },
    "shutoff": {"peak_pressure": 500e3, "pressure": 500e3, "current": 5.0, "voltage": 13.5, "power": 67.5},
}
ZERO = r"pressure -?\d\.\d Pa, current -?\d\.\d mA, line confirmed"
HIGHEST = r"500\.\d kPa while the valve closed, 50\d\.\d kPa at all"
STORIES = {
    "pump": (
        pump(),
        [
            ("connect", Do.CONNECT, True),
            ("dry_check", Do.DRY_CHECK, False),
            ("dry_check", Do.POWER_OFF, False),
            ("immerse", Do.IMMERSE, True),
            ("free_flow", Do.POWER_ON, False),
            ("free_flow", Do.WAIT, False),
            ("throttle", Do.CLOSE_VALVE_SLOWLY, False),
            ("shutoff", Do.WAIT, False),
            ("reopen", Do.OPEN_VALVE_SLOWLY, False),
            ("free_flow.2", Do.WAIT, False),
            ("finish", Do.POWER_OFF, False),
            ("finish", Do.WAIT, False),
        ],
        [
            ("confirmed", "connected"),
            ("zero", ZERO),
            ("power on", ""),
            ("power off", ""),
            ("confirmed", "in_fluid"),
            ("power on", ""),
            ("reopen check", r"agrees: [+-]0\.\d\d ± \d\.\d\d L/h"),
            ("power off", ""),
            ("highest pressure", HIGHEST),
        ],
        ["dry_check", "free_flow", "shutoff", "free_flow.2"],
    ),
    "module": (
        module(),
        [
            ("connect", Do.CONNECT, True),
            ("immerse", Do.IMMERSE, True),
            ("shutoff", Do.CLOSE_VALVE, True),
            ("shutoff", Do.POWER_ON, False),
            ("shutoff", Do.WAIT, False),
            ("fill", Do.WAIT, False),
            ("reopen", Do.OPEN_VALVE_SLOWLY, False),
            ("free_flow", Do.WAIT, False),
            ("throttle", Do.CLOSE_VALVE_SLOWLY, False),
            ("shutoff.2", Do.WAIT, False),
            ("finish", Do.POWER_OFF, False),
        ],
        [
            ("confirmed", "connected"),
            ("zero", ZERO),
            ("confirmed", "in_fluid"),
            ("confirmed", "valve_shut"),
            ("power on", ""),
            ("power off", ""),
            ("highest pressure", HIGHEST),
        ],
        ["shutoff", "fill", "free_flow", "shutoff.2"],
    ),
}


def told(part: Part) -> tuple[Bench, Outcome]:
    bench = Bench(Unit())
    return bench, carry_out(part, bench)


@pytest.mark.parametrize("kind", STORIES)
def test_what_is_asked_for_stage_by_stage(kind: str) -> None:
    part, asked, _, _ = STORIES[kind]
    bench, outcome = told(part)
    now = [e for e in bench.effects if isinstance(e, StageNow)]
    assert [(e.stage, e.do, e.asked) for e in now] == asked
    begun = {name: begin for name, begin, _ in outcome.stages}
    assert all(e.since >= begun[e.stage] for e in now)
    assert [e.since for e in now] == sorted(e.since for e in now)


@pytest.mark.parametrize("kind", STORIES)
def test_what_is_noted(kind: str) -> None:
    part, _, noted, _ = STORIES[kind]
    bench, outcome = told(part)
    notes = [e for e in bench.effects if isinstance(e, Noted)]
    assert [e.what for e in notes] == [what for what, _ in noted]
    for note, (_, detail) in zip(notes, noted, strict=True):
        assert re.fullmatch(detail, note.detail), note
    assert [e.t for e in notes] == sorted(e.t for e in notes)
    assert notes[-1].t == pytest.approx(outcome.duration_s, abs=0.1)


@pytest.mark.parametrize("kind", STORIES)
def test_every_reading_is_the_truth_within_its_uncertainty(kind: str) -> None:
    part, _, _, stages = STORIES[kind]
    bench, outcome = told(part)
    assert list(dict.fromkeys(r.stage for r in outcome.readings)) == stages
    taken = {e.reading.name: e.reading for e in bench.effects if isinstance(e, Taken)}
    assert {r.name: r for r in outcome.readings} == taken
    for r in outcome.readings:
        if r.stage == "fill":
            assert (r.quantity, r.value) == ("fill_time", pytest.approx(5.4, abs=0.3))
            continue
        truth = TRUTH[r.stage.partition(".")[0]][r.quantity]
        assert abs(r.value - truth) <= r.combined.U, r.name
        assert r.flags == ()
        assert (r.low, r.high) == (r.value, r.value)
    for stage in stages:
        read = {r.quantity for r in outcome.readings if r.stage == stage}
        assert read == set(TRUTH.get(stage.partition(".")[0], {"fill_time": 5.4})), stage
