"""What a device is told before it may give power: the limits that it holds by itself, whatever becomes of the host.

The link wants them as volts at the converter, so each line of `daq.measure.convert` is gone along backwards, with what
was measured at rest. They are the host's limits once more, nearer to the switch, with these differences:

- A pressure transducer out of its valid span trips too: what nobody measures may be anything.
- A supply that fails has no lower limit here. The terminals rise only once a contactor has closed, they sag in the
  inrush, and the link blanks shunts alone. A run sees a missing voltage within a block, and a pump without power harms
  nobody.
- How long a unit runs dry, at shutoff or without flow, whether a module fills, a level, and channels that are stuck or
  broken within their span are the run's affair. A host that no longer looks lets the lease run out.
- What a wide-band shunt scans is not judged; it exists for captures.

Pressure is that at the transducer, as a run's own limit takes it, and has the transducer's reference.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from daq.measure.channels import Channels, PressureKind
from daq.measure.convert import Column, Zero, channel_maps
from daq.procedure.guards import INRUSH_S
from daq.procedure.plan import Limits, Part, Stand
from daq.procedure.table import MOVES, Event, Move, stage_of
from daq.procedure.watched import UnseenLimitError, Watched, strict
from drivers.block import Block, Identity, Role
from drivers.device import LimitEntry

SUPPLY_SHARE = 0.15
"""Power goes off where the supply is more than this above the test voltage, but never within twice the part's
tolerance. At 13.5 V that is 15.5 V; 16 V is the most that equipment of 12 V vehicles must stand (ISO 16750-2, from
memory)."""
EXCITATION_SHARE = 0.05
"""A measured excitation that falls by more than this trips: it would take the pressure limit along. Common practice,
no source."""
EXCITATION_SPAN = 0.2
"""At rest an excitation must be this near to the nominal one, else the transducer's supply is broken. Common practice,
no source."""
LONGEST_ON_S = 0xFFFF


@dataclass(frozen=True, slots=True)
class References:
    """What was found at rest: the zero, the excitation (V) and the shunt's temperature (K), None where not measured."""

    zero: Zero = field(default_factory=Zero)
    excitation: float | None = None
    shunt_temperature: float | None = None


@dataclass(frozen=True, slots=True)
class DeviceLimits:
    """A LIMITS request: as `drivers.device.Device.limits` takes it. `origins` says of each entry what it holds."""

    blank_ms: int
    max_on_s: int
    entries: tuple[LimitEntry, ...]
    origins: tuple[str, ...]


def references(channels: Channels, identity: Identity, block: Block, zero: Zero) -> References:
    """What a block at rest says of excitation and shunt, by the mean of its scans, beside a zero."""
    excitation = _mean_volts(identity, block, Role.EXCITATION)
    warm, shunt = channels.temperature, _mean_volts(identity, block, Role.AMBIENT_TEMPERATURE)
    return References(
        zero,
        None if excitation is None else excitation / channels.pressure.excitation_gain,
        None
        if shunt is None or warm is None
        else 273.15 + (shunt - warm.volts_at_zero_celsius) / warm.volts_per_kelvin,
    )


def device_limits(
    part: Part, stand: Stand, identity: Identity, stages: Sequence[str], found: References | None = None
) -> DeviceLimits:
    """The limits of one run, whose stages are `stages`, for the device that says `identity`.

    Raises:
        NotFittedError: the device lacks a channel that the stand has.
        UnseenLimitError: a limit lies where the device's converter cannot show it, or the transducer's supply is
            broken.
    """
    channels, limits, found = stand.channels, stand.limits, found or References()
    entries = [
        *_pressure(channels, limits, identity, found),
        _current(channels, limits, identity, found),
        _supply(channels, part, identity),
        *_temperature(channels, limits, identity),
    ]
    return DeviceLimits(
        blank_ms=math.ceil(1e3 * INRUSH_S),
        max_on_s=longest_on(part, limits, stages),
        entries=tuple(entry for entry, _ in entries),
        origins=tuple(origin for _, origin in entries),
    )


def longest_on(part: Part, limits: Limits, stages: Sequence[str]) -> int:
    """Whole seconds for which no run that keeps its own limits has power on at a stretch: all that its powered stages
    may take together, answers waited for included. The last stop before a host that renews the lease for ever."""
    seconds = sum(_stage_limit(name, part, limits) for name in stages if stage_of(name).power)
    return min(LONGEST_ON_S, max(1, math.ceil(seconds)))


def _stage_limit(name: str, part: Part, limits: Limits) -> float:
    stage = stage_of(name).name
    if stage == "fill":
        return part.fill_limit_s or limits.fill_s
    asked = MOVES.get((stage, Event.UNSETTLED)) is Move.ASK
    return limits.stage_s + (limits.ask_s if asked else 0.0)


def _pressure(
    channels: Channels, limits: Limits, identity: Identity, found: References
) -> list[tuple[LimitEntry, str]]:
    p = channels.pressure
    line = channel_maps(channels)[Column.PRESSURE]
    watched = []
    ratio = 1.0
    excitation = identity.analog_index(Role.EXCITATION)
    if p.kind is PressureKind.RATIOMETRIC and excitation is not None:
        volts = p.excitation if found.excitation is None else found.excitation
        _expect_excitation(volts, p.excitation)
        ratio = p.excitation / volts
        least = (1 - EXCITATION_SHARE) * volts * p.excitation_gain
        entry = LimitEntry(excitation, math.inf, strict(least, math.inf))
        watched.append((entry, "transducer's excitation falling"))
    channel = Watched.of(identity, Role.PRESSURE, replace(line, slope=line.slope * ratio))
    zeroed = replace(channel, offset=channel.offset - found.zero.pressure)
    most = zeroed.seen(limits.pressure, "pressure", 1e-3, "kPa")
    span = channel.within(line.low, line.high)
    return [(most, "pressure above limits.pressure"), (span, "pressure out of the transducer's span"), *watched]


def _current(channels: Channels, limits: Limits, identity: Identity, found: References) -> tuple[LimitEntry, str]:
    line, shunt = channel_maps(channels)[Column.CURRENT], channels.shunt
    kelvin = shunt.assumed_temperature if found.shunt_temperature is None else found.shunt_temperature
    assumed, real = (1 + shunt.alpha * (t - 293.15) for t in (shunt.assumed_temperature, kelvin))
    channel = Watched.of(identity, Role.SHUNT, replace(line, slope=line.slope * assumed / real))
    zeroed = replace(channel, offset=channel.offset - found.zero.current)
    return zeroed.seen(limits.current, "current", 1.0, "A"), "current above limits.current"


def _supply(channels: Channels, part: Part, identity: Identity) -> tuple[LimitEntry, str]:
    """Above only. Leads need no correction, as the terminals never have more than is sensed before them. The margin is
    ours, so an end of the converter that lies within it will do."""
    channel = Watched.of(identity, Role.SUPPLY_VOLTAGE, channel_maps(channels)[Column.VOLTAGE])
    least = part.test_voltage + part.voltage_tolerance
    most = part.test_voltage + max(SUPPLY_SHARE * part.test_voltage, 2 * part.voltage_tolerance)
    limit = min(most, max(least, channel.reach))
    return channel.seen(limit, "supply", 1.0, "V"), "supply above the part's test voltage"


def _temperature(channels: Channels, limits: Limits, identity: Identity) -> list[tuple[LimitEntry, str]]:
    """A stand without a sensor has nothing to watch; one that says it has one is taken at its word."""
    line = channel_maps(channels).get(Column.TEMPERATURE)
    if line is None:
        return []
    channel = Watched.of(identity, Role.FLUID_TEMPERATURE, line)
    return [(channel.seen(limits.temperature, "temperature", 1.0, "K"), "fluid above limits.temperature")]


def _expect_excitation(volts: float, nominal: float) -> None:
    if not abs(volts / nominal - 1) <= EXCITATION_SPAN:
        raise UnseenLimitError(
            f"the transducer's excitation: expected {nominal:g} V within {EXCITATION_SPAN:.0%}, found {volts:.3g} V; "
            "mend its supply, or correct channel.pressure.excitation and excitation_gain"
        )


def _mean_volts(identity: Identity, block: Block, role: Role) -> float | None:
    k = identity.analog_index(role)
    if k is None or not block.in_counts:
        return None
    raw = identity.analog[k]
    return float(np.mean(block.values[:, k], dtype=np.float64) - raw.zero_count) * raw.volts_per_count
