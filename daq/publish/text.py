"""What the person at the bench is asked to do: a word for machines and a sentence for people."""

from daq.procedure.table import Do, stage_of

TEXTS: dict[Do, str] = {
    Do.CONNECT: "See that power is off and that the valve is open, then connect the unit: outlet hose and supply leads",
    Do.DRY_CHECK: "Switch the pump on for a moment, still dry, and listen that it turns",
    Do.IMMERSE: "Put the pump into the fluid",
    Do.HOLD_RETURN: "Hold the return line in the module's own reservoir",
    Do.POWER_ON: "Switch the pump on",
    Do.POWER_OFF: "Switch the pump off",
    Do.OPEN_VALVE: "Open the valve fully",
    Do.OPEN_VALVE_SLOWLY: "Open the valve slowly",
    Do.CLOSE_VALVE: "Shut the valve",
    Do.CLOSE_VALVE_SLOWLY: "Close the valve slowly",
    Do.WAIT: "Wait, leave switch and valve as they are",
    Do.REMOVE: "Open the valve, so that no pressure is left, then take the unit off the stand",
    Do.NONE: "",
}
"""Plain sentences, one act each."""

DRIVEN: dict[str, str] = {
    "connect": "Wait, the stand takes its zero",
    "dry_check": "Hands off: the stand runs the unit dry for a moment",
    "immerse": "Wait until the unit stands still",
    "hold_return": "Wait until the unit stands still",
    "free_flow": "Hands off: the stand reads free flow",
    "throttle": "Hands off: the stand closes the valve",
    "rated": "Hands off: the stand holds the valve and reads",
    "shutoff": "Hands off: the stand reads with the valve shut",
    "fill": "Hands off: the module fills",
    "reopen": "Hands off: the stand opens the valve",
    "residual": "Hands off: the unit is switched off and must hold its pressure",
    "finish": "Wait until the stand has switched off",
}
"""What a stand that drives itself does in a stage where nothing is asked of a person."""
DRIVEN_CONNECT = "See that the power is off, then connect the unit: outlet hose and supply leads"
DRIVEN_REMOVE = "Wait until no pressure is left, then take the unit off the stand"


def text_of(do: Do, stage: str | None, *, driven: bool) -> str:
    """What a person reads: `stage` is that of the run under way, None between runs."""
    if driven and do is Do.WAIT and stage is not None:
        return DRIVEN[stage_of(stage).name]
    return {Do.REMOVE: DRIVEN_REMOVE, Do.CONNECT: DRIVEN_CONNECT}.get(do, TEXTS[do]) if driven else TEXTS[do]
