"""Why a DRIVE that asks for power is refused."""

from drivers.block import Feature, Input, Trip
from drivers.link.frames import LEAVE_SUPPLY, LEAVE_VALVE, LONGEST_LEASE_MS, Drive, ReplyCode
from simulator.design import DeviceDesign
from simulator.firmware.guard import Guard

FULLY_OPEN = 10_000
"""The valve's position in a frame when it is open."""


def refusal(request: Drive, design: DeviceDesign, guard: Guard, inputs: Input) -> ReplyCode:
    """The first reason in the link's order: value, not fitted, tripped, no limits, an input open; DONE for none."""
    if not values_good(request, design):
        return ReplyCode.BAD_VALUE
    if Feature.POWER_SWITCH not in design.features or not fitted(request, design.features):
        return ReplyCode.NOT_FITTED
    if guard.trip is not Trip.NONE:
        return ReplyCode.TRIPPED
    if guard.limits is None:
        return ReplyCode.NO_LIMITS
    return ReplyCode.INPUT_OPEN if guard.input_open(inputs) else ReplyCode.DONE


def values_good(request: Drive, design: DeviceDesign) -> bool:
    valve = request.valve <= FULLY_OPEN or request.valve == LEAVE_VALVE
    return valve and request.lease_ms <= LONGEST_LEASE_MS and request.supply_mv <= design.supply_limit


def fitted(request: Drive, features: Feature) -> bool:
    """Whether there is an output for everything that the request wants changed."""
    supply = request.supply_mv == LEAVE_SUPPLY or Feature.SETTABLE_SUPPLY in features
    return supply and (request.valve == LEAVE_VALVE or Feature.VALVE_ACTUATOR in features)
