"""What a driven stand needs before there may be power: outputs and inputs fitted, limits in force, no trip standing."""

from collections.abc import Sequence

from daq.measure.convert import Zero
from daq.procedure.device_limits import References, device_limits, references
from daq.procedure.plan import Drive, Part, Stand
from daq.stand.errors import RefusedError
from drivers.block import Block, Feature, Identity, Input, Status, Trip
from drivers.device import Device

OUTPUTS = {Feature.POWER_SWITCH: "power switch", Feature.VALVE_ACTUATOR: "valve actuator"}
INPUTS = {Input.STOP_CIRCUIT: "stop circuit", Input.SPLASH_GUARD: "splash guard", Input.FLUID_LEVEL: "fluid level"}


def bars(drive: Drive | None, identity: Identity | None, status: Status | None) -> dict[str, bool]:
    """What bars a start, by words of `errors.BLOCKED`. A driven stand's start clears a trip itself."""
    if drive is None or identity is None:
        return {"tripped": status is not None and status.trip is not Trip.NONE}
    return {
        "not_fitted": bool(not_fitted(drive, identity)),
        "input_open": status is not None and bool(identity.inputs_fitted & ~status.inputs),
    }


def not_fitted(drive: Drive, identity: Identity) -> tuple[str, ...]:
    """The outputs and inputs that a driven stand needs and its device has not."""
    outputs = [name for feature, name in OUTPUTS.items() if feature not in identity.features]
    needed = drive.requires | Input.STOP_CIRCUIT
    return (*outputs, *(name for bit, name in INPUTS.items() if bit & needed & ~identity.inputs_fitted))


async def make_ready(device: Device, part: Part, stand: Stand, stages: Sequence[str], newest: Block | None) -> None:
    """Clears a trip whose cause is gone, and puts the limits of this part on this stand in force. `newest` is the
    newest block at rest, where there is one.

    Raises:
        RefusedError: the device refuses, or a protective input is open.
        MeasureError: a limit lies beyond what the device can see.
        DriverError: the device does not answer, or does not keep the limits that it was sent.
    """
    name, identity, channels = device.address.text, device.identity, stand.channels
    cleared = await device.clear()
    if not cleared.done:
        raise RefusedError(f"{name}: what made the device trip is still there: {cleared.text}")
    at_rest = references(channels, identity, newest, Zero.calibrated(channels)) if newest else References()
    limits = device_limits(part, stand, identity, stages, at_rest)
    reply = await device.limits(limits.blank_ms, limits.max_on_s, limits.entries)
    if not reply.done:
        raise RefusedError(f"{name}: the device does not take its limits: {reply.text}")
    if device.status is not None and (open_now := identity.inputs_fitted & ~device.status.inputs):
        raise RefusedError(f"{name}: {' and '.join(_names(open_now))} open; close it, then start again")


def _names(inputs: Input) -> list[str]:
    return [name for bit, name in INPUTS.items() if bit & inputs]
