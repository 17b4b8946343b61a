"""What the person at the bench is asked to do: a word for machines and a sentence for people."""

from enum import StrEnum


class Do(StrEnum):
    """What has to be done now."""

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


TEXTS: dict[Do, str] = {
    Do.CONNECT: "Connect the unit: outlet hose and supply leads",
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
    Do.REMOVE: "Take the unit off the stand",
    Do.NONE: "",
}
"""Plain sentences, one act each."""
