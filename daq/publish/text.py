"""What the person at the bench is asked to do: a word for machines and a sentence for people."""

from daq.procedure.table import Do

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
    Do.REMOVE: "Open the valve, so that no pressure is left, then take the unit off the stand",
    Do.NONE: "",
}
"""Plain sentences, one act each."""
