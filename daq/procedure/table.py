"""The stages of a run and what moves it on: one table, and nothing about it anywhere else.

A stage asks for one thing (`do`), needs power and valve in a state, and reads what `reads` names once all of it holds
still. What is not in MOVES for a stage changes nothing there.
"""

from collections import Counter
from dataclasses import dataclass
from enum import StrEnum

from daq.procedure.plan import Kind


class Valve(StrEnum):
    """Where the signals say that the valve is."""

    OPEN = "open"
    BETWEEN = "between"
    SHUT = "shut"


class Do(StrEnum):
    """What the stand asks of whoever is at the bench."""

    CONNECT = "connect"
    DRY_CHECK = "dry_check"
    IMMERSE = "immerse"
    HOLD_RETURN = "hold_return"
    POWER_ON = "power_on"
    POWER_OFF = "power_off"
    OPEN_VALVE = "open_valve"
    OPEN_VALVE_SLOWLY = "open_valve_slowly"
    CLOSE_VALVE = "close_valve"
    CLOSE_VALVE_SLOWLY = "close_valve_slowly"
    WAIT = "wait"
    REMOVE = "remove"
    NONE = "none"


class Event(StrEnum):
    """What can happen to a stage. The first seven are what a person confirms."""

    CONNECTED = "connected"
    IN_FLUID = "in_fluid"
    RETURN_HELD = "return_held"
    VALVE_OPEN = "valve_open"
    VALVE_SHUT = "valve_shut"
    FILLED = "filled"
    REMOVED = "removed"
    POWER_ON = "power_on"
    POWER_OFF = "power_off"
    SEEN_OPEN = "seen_open"
    SEEN_SHUT = "seen_shut"
    PAUSED = "paused"
    FULL = "full"
    READ = "read"
    UNSETTLED = "unsettled"
    UNREAD = "unread"
    UNANSWERED = "unanswered"
    HALT = "halt"


CONFIRMATIONS = tuple(Event)[:7]
BY_HAND = frozenset({Event.CONNECTED, Event.IN_FLUID, Event.RETURN_HELD, Event.REMOVED})
"""What a person confirms even where the stand moves switch and valve itself."""


class Move(StrEnum):
    """What an event does: on to the next stage, ask a person, or end the run here."""

    NEXT = "next"
    ASK = "ask"
    END = "end"


@dataclass(frozen=True, slots=True)
class Stage:
    """What a stage needs (None: does not matter), what it reads, and what it asks for once power and valve are right.

    `handled` stages wait for a person's hands, so the limit on a stage's time is that on an answer; where the stand
    drives itself that holds for those that only a person can do.
    """

    name: str
    do: Do
    power: bool | None = None
    valve: Valve | None = None
    reads: tuple[str, ...] = ()
    handled: bool = False


STAGES = {
    s.name: s
    for s in (
        Stage("connect", Do.CONNECT, handled=True),
        Stage("dry_check", Do.DRY_CHECK, reads=("current",), handled=True),
        Stage("immerse", Do.IMMERSE, power=False, handled=True),
        Stage("hold_return", Do.HOLD_RETURN, power=False, handled=True),
        Stage(
            "free_flow",
            Do.WAIT,
            True,
            Valve.OPEN,
            ("flow", "pressure", "current", "voltage", "power", "efficiency", "speed"),
        ),
        Stage("throttle", Do.CLOSE_VALVE_SLOWLY, True),
        Stage("rated", Do.WAIT, True, Valve.BETWEEN, ("flow", "pressure", "current", "power", "efficiency")),
        Stage(
            "shutoff", Do.WAIT, True, Valve.SHUT, ("peak_pressure", "pressure", "current", "voltage", "power", "speed")
        ),
        Stage("fill", Do.WAIT, True, reads=("fill_time",)),
        Stage("reopen", Do.OPEN_VALVE_SLOWLY, True),
        Stage("residual", Do.WAIT, power=False, reads=("residual_pressure",)),
        Stage("finish", Do.POWER_OFF, power=False, handled=True),
    )
}

RATED = "rated"
TRAVELS = frozenset({"throttle", "reopen"})

MOVES: dict[tuple[str, Event], Move] = {
    ("connect", Event.CONNECTED): Move.NEXT,
    ("connect", Event.POWER_ON): Move.NEXT,
    ("dry_check", Event.READ): Move.NEXT,
    ("immerse", Event.IN_FLUID): Move.NEXT,
    ("hold_return", Event.RETURN_HELD): Move.NEXT,
    ("free_flow", Event.READ): Move.NEXT,
    ("free_flow", Event.UNSETTLED): Move.ASK,
    ("free_flow", Event.UNREAD): Move.END,
    ("throttle", Event.SEEN_SHUT): Move.NEXT,
    ("throttle", Event.VALVE_SHUT): Move.NEXT,
    ("throttle", Event.PAUSED): Move.NEXT,
    ("throttle", Event.UNSETTLED): Move.ASK,
    ("rated", Event.READ): Move.NEXT,
    ("rated", Event.UNSETTLED): Move.NEXT,
    ("rated", Event.UNREAD): Move.NEXT,
    ("residual", Event.READ): Move.NEXT,
    ("shutoff", Event.READ): Move.NEXT,
    ("shutoff", Event.UNSETTLED): Move.ASK,
    ("shutoff", Event.UNREAD): Move.END,
    ("fill", Event.FULL): Move.NEXT,
    ("fill", Event.FILLED): Move.NEXT,
    ("reopen", Event.SEEN_OPEN): Move.NEXT,
    ("reopen", Event.VALVE_OPEN): Move.NEXT,
    ("reopen", Event.PAUSED): Move.NEXT,
    ("reopen", Event.UNSETTLED): Move.ASK,
    ("finish", Event.POWER_OFF): Move.NEXT,
    **{(name, Event.UNANSWERED): Move.END for name in STAGES if name != "finish"},
    ("finish", Event.UNANSWERED): Move.NEXT,
    **{(name, Event.HALT): Move.END for name in STAGES},
}

NOTED: frozenset[tuple[str, Event]] = frozenset(
    {
        ("free_flow", Event.VALVE_OPEN),
        ("shutoff", Event.VALVE_SHUT),
    }
)
"""Confirmations that move nothing on but settle where the valve is, where the signals do not."""


def sequence(kind: Kind, dry_check: bool, residual: bool = False, pauses: int = 0) -> tuple[str, ...]:
    """The stages of a run in order; a repeated one gets a number (`free_flow.2`).

    `pauses` is at how many pressures a driven stand holds the valve on its way, each one a `rated`: a bare pump's while
    it closes, a module's while it opens, since a module without return empties at free flow. A person does not pause:
    then its readings come from the pressure–flow curve of both travels.
    """
    dry = ("dry_check",) if dry_check else ()
    if kind is Kind.PUMP:
        rest: tuple[str, ...] = ("immerse", "free_flow", *_travel("throttle", pauses), "shutoff", "reopen", "free_flow")
        rest += ("throttle", "shutoff") if residual else ()
    else:
        held = ("hold_return",) if kind is Kind.MODULE_RETURN else ()
        opening = _travel("reopen", pauses)
        rest = ("immerse", *held, "shutoff", "fill", *opening, "free_flow", "throttle", "shutoff")
    return _numbered(("connect", *dry, *rest, *(("residual",) if residual else ()), "finish"))


def _travel(name: str, pauses: int) -> tuple[str, ...]:
    return (name, *(RATED, name) * pauses)


def _numbered(stages: tuple[str, ...]) -> tuple[str, ...]:
    counts = Counter[str]()
    named = []
    for stage in stages:
        counts[stage] += 1
        named.append(stage if counts[stage] == 1 else f"{stage}.{counts[stage]}")
    return tuple(named)


def travels(stages: tuple[str, ...]) -> dict[str, bool]:
    """The stages of the first travel each way, pauses left out, and whether it closes: those of the curve."""
    found: dict[str, bool] = {}
    over: set[str] = set()
    under_way = ""
    for name in stages:
        base = stage_of(name).name
        if under_way and base not in (under_way, RATED):
            over.add(under_way)
            under_way = ""
        if base in TRAVELS and base not in over:
            under_way, found[name] = base, base == "throttle"
    return found


def stage_of(name: str) -> Stage:
    """The stage behind a numbered name."""
    return STAGES[name.partition(".")[0]]


def meant(requirement_stage: str, stages: tuple[str, ...], kind: Kind) -> tuple[str, ...]:
    """The stages of a run that a requirement on `requirement_stage` means: all of that name, but of a module's two
    shutoffs the one after `fill`; and `rated`, one for all pauses, which a run also has that does not pause."""
    if requirement_stage == RATED:
        return (RATED,)
    named = tuple(s for s in stages if s.partition(".")[0] == requirement_stage)
    if requirement_stage == "shutoff" and kind is not Kind.PUMP:
        return named[-1:]
    return named


def diagram(kind: Kind, *, driven: bool = False) -> str:
    """The longest run of a kind, one whose part requires a residual pressure, as a Mermaid state diagram; a `driven`
    one pauses once and asks nobody where the valve is."""
    pauses = 1 if driven else 0
    stages = sequence(kind, dry_check=kind is Kind.PUMP, residual=True, pauses=pauses)
    lines = ["stateDiagram-v2", f"    [*] --> {_id(stages[0])}"]
    for k, (name, after) in enumerate(zip(stages, (*stages[1:], "[*]"), strict=True)):
        of = {e: m for (s, e), m in MOVES.items() if s == stage_of(name).name and _happens(e, stages, k, driven)}
        by = {m: [e.value for e, move in of.items() if move is m] for m in Move}
        ends = by[Move.END] + by[Move.ASK] * driven
        lines.append(f"    {_id(name)} --> {_id(after)}: {' / '.join(by[Move.NEXT])}")
        if by[Move.ASK] and not driven:
            lines.append(f"    {_id(name)} --> {_id(name)}: {' / '.join(by[Move.ASK])}, a person is asked")
        lines.append(f"    {_id(name)} --> [*]: {' / '.join(ends)}")
    return "\n".join(lines)


def _happens(event: Event, stages: tuple[str, ...], at: int, driven: bool) -> bool:
    """Whether an event can come in a stage: only a travel towards a pause pauses; only a person confirms a valve."""
    if event is Event.PAUSED:
        return stages[at + 1].startswith(RATED)
    return not driven or event not in CONFIRMATIONS or event in BY_HAND


def _id(name: str) -> str:
    return name.replace(".", "_")
