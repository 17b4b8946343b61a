"""The stages as tables: every state with every event, and the orders that they make."""

import re
from itertools import product

import pytest

from daq.procedure.plan import Kind
from daq.procedure.table import (
    CONFIRMATIONS,
    MOVES,
    NOTED,
    RATED,
    STAGES,
    Do,
    Event,
    Move,
    Valve,
    diagram,
    meant,
    sequence,
    stage_of,
    travels,
)

ENDINGS = {Event.UNREAD, Event.UNANSWERED, Event.HALT}
ASKING = {Event.UNSETTLED}


@pytest.mark.parametrize(("name", "event"), list(product(STAGES, Event)), ids=lambda x: str(x))
def test_every_stage_with_every_event(name: str, event: Event) -> None:
    """Bad luck ends or asks and never moves on, but from a pause, which the curve may make good; a confirmation moves
    on or is noted, and never ends; the rest is nothing."""
    move = MOVES.get((name, event))
    if name == RATED and event in (Event.UNREAD, Event.UNSETTLED):
        assert move is Move.NEXT
    elif event is Event.HALT:
        assert move is Move.END
    elif event is Event.UNANSWERED:
        assert move is (Move.NEXT if name == "finish" else Move.END)
    elif event in ENDINGS:
        assert move in (None, Move.END)
    elif event in ASKING:
        assert move in (None, Move.ASK)
    else:
        assert move in (None, Move.NEXT)
    if (name, event) in NOTED:
        assert event in CONFIRMATIONS
        assert move is None


def test_the_tables_know_only_what_there_is() -> None:
    for name, event in (*MOVES, *NOTED):
        assert name in STAGES
        assert event in Event
    assert all(stage.name == name for name, stage in STAGES.items())


@pytest.mark.parametrize("name", STAGES)
def test_every_stage_has_a_way_on_and_a_way_out(name: str) -> None:
    moves = {event: move for (stage, event), move in MOVES.items() if stage == name}
    assert Move.NEXT in moves.values()
    assert moves[Event.HALT] is Move.END
    assert Event.UNANSWERED in moves


@pytest.mark.parametrize("name", STAGES)
def test_a_stage_that_asks_takes_an_answer(name: str) -> None:
    """Where the signals do not settle a stage a person can, by words that are known there."""
    if MOVES.get((name, Event.UNSETTLED)) is Move.ASK:
        answers = {e for s, e in (*MOVES, *NOTED) if s == name and e in CONFIRMATIONS}
        assert answers & {Event.VALVE_OPEN, Event.VALVE_SHUT}


def test_nothing_is_read_with_the_hands_on_the_bench() -> None:
    """What stages of readings need is said, so that a reading can be refused where it is not so."""
    for stage in STAGES.values():
        if "flow" in stage.reads:
            assert (stage.power, stage.valve) == (True, Valve.BETWEEN if stage.name == "rated" else Valve.OPEN)
        if "peak_pressure" in stage.reads:
            assert (stage.power, stage.valve) == (True, Valve.SHUT)


PUMP = ("connect", "dry_check", "immerse", "free_flow", "throttle", "shutoff", "reopen", "free_flow.2", "finish")
MODULE = ("connect", "immerse", "shutoff", "fill", "reopen", "free_flow", "throttle", "shutoff.2", "finish")
RESIDUAL = (*PUMP[:-1], "throttle.2", "shutoff.2", "residual", "finish")
RETURN = (*MODULE[:2], "hold_return", *MODULE[2:])


@pytest.mark.parametrize(
    ("kind", "dry_check", "order"),
    [
        (Kind.PUMP, True, PUMP),
        (Kind.PUMP, False, tuple(s for s in PUMP if s != "dry_check")),
        (Kind.MODULE, False, MODULE),
        (Kind.MODULE, True, ("connect", "dry_check", *MODULE[1:])),
        (Kind.MODULE_RETURN, False, RETURN),
    ],
)
def test_the_order_of_each_kind(kind: Kind, dry_check: bool, order: tuple[str, ...]) -> None:
    assert sequence(kind, dry_check) == order


@pytest.mark.parametrize(
    ("kind", "order"), [(Kind.PUMP, RESIDUAL), (Kind.MODULE, (*MODULE[:-1], "residual", "finish"))]
)
def test_a_residual_pressure_is_read_behind_a_shut_valve(kind: Kind, order: tuple[str, ...]) -> None:
    """A pump's valve is open at the end of its last reading and has to be shut once more; a module's is shut."""
    assert sequence(kind, dry_check=kind is Kind.PUMP, residual=True) == order


def test_a_driven_valve_pauses_on_its_first_way() -> None:
    """A bare pump's while it closes; a module's while it opens, so that the required flow is read before it empties."""
    pump = sequence(Kind.PUMP, dry_check=True, residual=True, pauses=2)
    module = sequence(Kind.MODULE, dry_check=False, pauses=1)
    closing = ("throttle", "rated", "throttle.2", "rated.2", "throttle.3")
    assert pump == (*PUMP[:4], *closing, *PUMP[5:-1], "throttle.4", "shutoff.2", "residual", "finish")
    assert module == (*MODULE[:4], "reopen", "rated", "reopen.2", *MODULE[5:])


@pytest.mark.parametrize("pauses", [0, 1, 2])
@pytest.mark.parametrize("kind", Kind)
def test_the_curve_is_that_of_the_first_way_there_and_back(kind: Kind, pauses: int) -> None:
    stages = sequence(kind, dry_check=False, residual=True, pauses=pauses)
    found = travels(stages)
    paused = "throttle" if kind is Kind.PUMP else "reopen"
    assert [n for n in found if n.startswith(paused)] == [s for s in stages if s.startswith(paused)][: pauses + 1]
    assert len(found) == pauses + 2
    assert all(closes is name.startswith("throttle") for name, closes in found.items())


@pytest.mark.parametrize("kind", Kind)
def test_stages_of_a_run_are_known_and_told_apart(kind: Kind) -> None:
    stages = sequence(kind, dry_check=True)
    assert len(set(stages)) == len(stages)
    assert [stage_of(s).name for s in stages] == [s.partition(".")[0] for s in stages]


@pytest.mark.parametrize("kind", [Kind.MODULE, Kind.MODULE_RETURN])
def test_a_modules_valve_is_shut_before_power(kind: Kind) -> None:
    stages = sequence(kind, dry_check=False)
    powered = [s for s in stages if stage_of(s).power]
    assert stage_of(powered[0]).name == "shutoff"
    assert stages.index("hold_return" if kind is Kind.MODULE_RETURN else "immerse") < stages.index("shutoff")


@pytest.mark.parametrize(
    ("stage", "kind", "expected"),
    [
        ("free_flow", Kind.PUMP, ("free_flow", "free_flow.2")),
        ("shutoff", Kind.PUMP, ("shutoff",)),
        ("free_flow", Kind.MODULE, ("free_flow",)),
        ("shutoff", Kind.MODULE, ("shutoff.2",)),
        ("shutoff", Kind.MODULE_RETURN, ("shutoff.2",)),
        ("fill", Kind.MODULE, ("fill",)),
        ("dry_check", Kind.MODULE, ()),
        ("rated", Kind.PUMP, ("rated",)),
        ("residual", Kind.PUMP, ()),
    ],
)
def test_what_a_requirement_means(stage: str, kind: Kind, expected: tuple[str, ...]) -> None:
    assert meant(stage, sequence(kind, dry_check=kind is Kind.PUMP), kind) == expected


@pytest.mark.parametrize("kind", Kind)
def test_the_diagram_shows_every_stage_and_every_way(kind: Kind) -> None:
    text = diagram(kind)
    assert text == diagram(kind)
    lines = text.splitlines()
    assert lines[0] == "stateDiagram-v2"
    stages = [s.replace(".", "_") for s in sequence(kind, dry_check=kind is Kind.PUMP, residual=True)]
    for name, after in zip(stages, (*stages[1:], "[*]"), strict=True):
        assert any(re.fullmatch(rf" +{re.escape(name)} --> {re.escape(after)}: .+", line) for line in lines), name
        assert any(line.strip().startswith(f"{name} --> [*]: ") for line in lines), name
    assert "    free_flow --> free_flow: unsettled, a person is asked" in lines


def test_confirmations_are_words_of_their_own() -> None:
    assert {c.value for c in CONFIRMATIONS} == {
        "connected",
        "in_fluid",
        "return_held",
        "valve_open",
        "valve_shut",
        "filled",
        "removed",
    }
    assert {stage.do for stage in STAGES.values()} <= set(Do)


@pytest.mark.parametrize("kind", Kind)
def test_a_stand_that_drives_itself_asks_nobody_and_ends_where_it_would_have_to(kind: Kind) -> None:
    lines = diagram(kind, driven=True).splitlines()
    assert not any("a person is asked" in line for line in lines)
    [ends] = [line for line in lines if line.startswith("    free_flow --> [*]: ")]
    assert "unsettled" in ends
