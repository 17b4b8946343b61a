"""What a run asks of the person at the bench, from the stage under way and what the signals say."""

from dataclasses import dataclass

from daq.procedure.stage_reading import DRY_ON_S
from daq.procedure.table import Do, Stage, Valve

ZERO_WAIT_S = 8.0
"""How long a run waits at its start for a rest of 5 s; then it goes on with the calibrated zero and its doubt."""
PATIENCE_S = 1.0
"""A valve that looks wrong for less than this is one that still moves, or a hose that still fills."""
NEVER_SEEN = frozenset({Do.CONNECT, Do.IMMERSE, Do.HOLD_RETURN})
"""What a person does and no sensor sees."""
_AT_ONCE = {Do.CLOSE_VALVE_SLOWLY: Do.CLOSE_VALVE, Do.OPEN_VALVE_SLOWLY: Do.OPEN_VALVE}


@dataclass(frozen=True, slots=True)
class Standing:
    """Where a run stands at `t` seconds of it: seconds since power-on (None: off), and for how long the valve has not
    been where the stage needs it (None: it is). `asked`: the signals did not settle the stage, so a person must.
    `driven`: the stand moves switch and valve itself. `rested`: a rest was found, of which the zero is made;
    `unopen_at`: the device senses the valve, and it was last not open then (0: it always was)."""

    t: float
    on_for: float | None
    valve_wrong_for: float | None
    rested: bool
    shut_before_power: bool
    asked: bool
    driven: bool = False
    sees_valve: bool = False
    unopen_at: float = 0.0

    @property
    def on(self) -> bool:
        return self.on_for is not None


def asks(stage: Stage, now: Standing) -> Do:
    """What is to be done next, by a person."""
    if now.driven and (stage.do not in NEVER_SEEN or (now.on and stage.power is False)):
        return Do.WAIT
    if stage.name == "connect":
        if now.sees_valve and 0.0 < now.t <= now.unopen_at and not now.on:
            return Do.OPEN_VALVE  # a line that is not open has no zero
        waiting = not now.rested and now.t < now.unopen_at + ZERO_WAIT_S and not now.on
        return Do.WAIT if waiting else Do.CONNECT
    if stage.name == "dry_check":
        return Do.POWER_OFF if now.on_for is not None and now.on_for >= DRY_ON_S else Do.DRY_CHECK
    if stage.power is False:
        return Do.POWER_OFF if now.on else Do.WAIT if stage.name == "finish" else stage.do
    if not now.on:
        first_shutoff = stage.name == "shutoff" and not now.shut_before_power
        return Do.CLOSE_VALVE if first_shutoff else Do.POWER_ON
    if now.asked or (now.valve_wrong_for is not None and now.valve_wrong_for >= PATIENCE_S):
        return _valve_wanted(stage)
    return stage.do


def must_confirm(stage: Stage, do: Do, now: Standing, *, sees_level: bool) -> bool:
    """Whether no signal will tell that it is done."""
    unseen = do is Do.CLOSE_VALVE and not now.on and not now.sees_valve
    if stage.name == "fill":
        unseen = do is Do.WAIT and not (sees_level or now.driven)
    return now.asked or do in NEVER_SEEN or unseen


def _valve_wanted(stage: Stage) -> Do:
    if stage.valve is None:
        return _AT_ONCE.get(stage.do, stage.do)
    return Do.OPEN_VALVE if stage.valve is Valve.OPEN else Do.CLOSE_VALVE
