"""Why a DRIVE that asks for power is refused."""

from dataclasses import replace

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
    return _valve_good(request) and request.lease_ms <= LONGEST_LEASE_MS and _supply_good(request, design)


def fitted(request: Drive, features: Feature) -> bool:
    """Whether there is an output for everything that the request wants changed."""
    supply = request.supply_mv == LEAVE_SUPPLY or Feature.SETTABLE_SUPPLY in features
    return supply and (request.valve == LEAVE_VALVE or Feature.VALVE_ACTUATOR in features)


def where_it_can_be(request: Drive, design: DeviceDesign) -> Drive:
    """The request without what cannot be done of it: an output that is not there, or a value out of its range."""
    supply = Feature.SETTABLE_SUPPLY in design.features and _supply_good(request, design)
    valve = Feature.VALVE_ACTUATOR in design.features and _valve_good(request)
    return replace(
        request,
        supply_mv=request.supply_mv if supply else LEAVE_SUPPLY,
        valve=request.valve if valve else LEAVE_VALVE,
    )


def _supply_good(request: Drive, design: DeviceDesign) -> bool:
    return request.supply_mv <= design.supply_limit


def _valve_good(request: Drive) -> bool:
    return request.valve <= FULLY_OPEN or request.valve == LEAVE_VALVE
