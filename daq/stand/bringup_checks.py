"""What there is to look at on a connected device, and whether it keeps a run from starting."""

from collections.abc import Iterator
from dataclasses import dataclass

from daq.measure.errors import MeasureError
from daq.measure.steps import Measuring
from daq.procedure.plan import Stand
from daq.procedure.signals import POWERED_V
from daq.stand.errors import BLOCKED
from daq.stand.ready import INPUTS, bars, not_fitted
from daq.stand.seen import Seen, Span
from drivers.block import Link, PulseRole, Role, Trip

CLOCK = 0.001
"""Two clocks that differ by more than this are told: a crystal keeps 0.01 %, a ceramic resonator 0.5 %, and flow errs
by as much. Common practice, no source."""

ROLES = {
    Role.PRESSURE: "pressure",
    Role.SUPPLY_VOLTAGE: "supply voltage",
    Role.SHUNT: "current",
    Role.FLUID_TEMPERATURE: "fluid temperature",
    Role.LEVEL: "level",
    Role.SECOND_PRESSURE: "second pressure",
    Role.EXCITATION: "excitation",
    Role.AMBIENT_TEMPERATURE: "shunt temperature",
    Role.SHUNT_WIDE: "wide-band current",
    Role.REFERENCE_VOLTAGE: "reference voltage",
    Role.CONVERTER_SUPPLY: "converter supply",
    Role.OTHER: "other",
    Role.FLOW: "flow",
}
"""What a channel is for, in words."""
TRIPS = {
    Trip.NONE: "none",
    Trip.LEASE: "the lease ran out: no DRIVE came in time",
    Trip.OVER_PRESSURE: "over-pressure",
    Trip.OVER_CURRENT: "over-current",
    Trip.STOP_CIRCUIT: "the stop circuit opened",
    Trip.SPLASH_GUARD: "the splash guard opened",
    Trip.FLUID_LOW: "the fluid level fell",
    Trip.POWER_TOO_LONG: "power was on for too long",
    Trip.SELF_TEST: "its self test failed",
    Trip.OTHER_LIMIT: "a limit of another channel was passed",
}
RESETS = ("power-on", "an external reset", "a brown-out", "its watchdog")
"""By bit of `reset_cause`."""
UNWANTED = 0b1100
"""Resets that nobody meant: brown-out and watchdog."""
SPANS = {
    Span.BELOW: ("below its span", "look at its supply and wires, and at its table in stand.toml"),
    Span.ABOVE: ("above its span", "look at its wires and ground, and at its table in stand.toml"),
    Span.NO_VALUE: ("without a value at times", "look at the sensor and its wires"),
    Span.CONVERTER_END: ("at an end of the converter", "look at its divider or amplifier, and for a broken wire"),
}


@dataclass(frozen=True, slots=True)
class Remark:
    """Something to look at: what was found and what to do. `blocks` means that no run can start like this."""

    blocks: bool
    found: str
    do: str


def remarks(seen: Seen, stand: Stand | None) -> list[Remark]:
    """What there is to look at, what keeps a run from starting first. `stand` is None where nobody knows it."""
    found = [*_line(seen), *_device(seen, stand), *_signals(seen), *_health(seen)]
    if stand is not None:
        found = [*_channels(seen, stand), *_fitted(seen, stand), *found]
    return sorted(found, key=lambda remark: not remark.blocks)


def reset_text(cause: int) -> str:
    """Why a device started, in words; "" where it does not say."""
    return " and ".join(word for bit, word in enumerate(RESETS) if cause >> bit & 1)


def _channels(seen: Seen, stand: Stand) -> Iterator[Remark]:
    """The same rules as at a start."""
    try:
        Measuring(stand.channels, seen.identity)
    except MeasureError as error:
        yield _said(str(error), BLOCKED["channel_missing"])
    if seen.identity.pulse_index(PulseRole.FLOW) is None and seen.identity.analog_index(Role.FLOW) is None:
        yield Remark(False, "it measures no flow", "a part that requires flow ends void: fit a flowmeter")


def _said(text: str, do: str) -> Remark:
    """What somebody else's text says that keeps a run from starting; `do` where it does not tell what to do."""
    found, apart, told = text.rpartition("; ")
    return Remark(True, found, told) if apart else Remark(True, text, do)


def _fitted(seen: Seen, stand: Stand) -> Iterator[Remark]:
    """Where stand.toml and device do not agree on what is there, and a run goes without."""
    has = {analog.role for analog in seen.identity.analog}
    channels = stand.channels
    for role, table, described in (
        (Role.FLUID_TEMPERATURE, "channel.temperature", channels.temperature is not None),
        (Role.LEVEL, "channel.level", channels.level is not None),
    ):
        if described and role not in has:
            yield Remark(False, f"stand.toml has [{table}], the device no channel with role {role.value}",
                         "fit the sensor, or take the table out")  # fmt: skip
        if not described and role in has:
            yield _undescribed(role, table)
    for role, table, rail in (
        (Role.REFERENCE_VOLTAGE, "reference.voltage", channels.reference),
        (Role.CONVERTER_SUPPLY, "reference.supply", channels.supply),
    ):
        if rail is None and role in has:
            yield _undescribed(role, table)


def _undescribed(role: Role, table: str) -> Remark:
    return Remark(False, f"the device has a channel with role {role.value}, stand.toml no [{table}]",
                  "describe it, else nothing uses it")  # fmt: skip


def _line(seen: Seen) -> Iterator[Remark]:
    link = seen.link
    if link is not None and link.link is not Link.UP:
        yield _said(link.reason, BLOCKED["link_down"])
    elif not seen.scans:
        yield Remark(True, "no scans came", "the device does not start its stream: look at its firmware")


def _device(seen: Seen, stand: Stand | None) -> Iterator[Remark]:
    """What the device itself has against a run, by the same rules as at a start."""
    drive, status = stand.drive if stand else None, seen.status
    barred = bars(drive, seen.identity, status)
    if status is not None and status.trip is not Trip.NONE:
        blocks = barred.get("tripped", False)
        do = BLOCKED["tripped"] if blocks else "find out why; the next start clears it once its cause is gone"
        yield Remark(blocks, f"tripped: {TRIPS[status.trip]}", do)
    if drive is not None and barred.get("not_fitted"):
        lacks = ", ".join(not_fitted(drive, seen.identity))
        yield Remark(True, f"this stand drives itself, and its device lacks: {lacks}", "fit that, in hardware")
    if status is not None and barred.get("input_open"):
        is_open = [name for bit, name in INPUTS.items() if bit & seen.identity.inputs_fitted & ~status.inputs]
        yield Remark(True, f"open: {', '.join(is_open)}", BLOCKED["input_open"])


def _signals(seen: Seen) -> Iterator[Remark]:
    for channel in seen.channels:
        if channel.span is not Span.INSIDE:
            found, do = SPANS[channel.span]
            yield Remark(False, f"channel {channel.index}, {role_name(channel.role)}: {found}", do)
        powered = channel.role == Role.SUPPLY_VOLTAGE and channel.value is not None and channel.value > POWERED_V
        if powered and channel.span is Span.INSIDE:
            yield Remark(True, f"power is on: {channel.value:.2f} V at the terminals", BLOCKED["power_on"])


def _health(seen: Seen) -> Iterator[Remark]:
    counts, status, identity = seen.counts, seen.status, seen.identity
    if counts.bad or counts.lost or seen.missing:
        yield Remark(False, f"{counts.bad} frames were bad, {counts.lost} lost, {counts.scans_missing} scans missing",
                     "look at cable, ground and baud rate")  # fmt: skip
    if status is not None and (status.rx_bad or status.rx_gap):
        yield Remark(False, f"the device heard {status.rx_bad} bad frames from here and missed {status.rx_gap}",
                     "look at cable, ground and baud rate")  # fmt: skip
    if counts.resets:
        yield Remark(False, f"the device has restarted {counts.resets} times meanwhile", "look at its supply")
    if identity.reset_cause & UNWANTED:
        yield Remark(False, f"the device last started after {reset_text(identity.reset_cause)}", "look at its supply")
    if seen.pace is not None and abs(seen.pace.ratio - 1.0) > CLOCK + seen.pace.doubt:
        yield Remark(False, f"the device's clock and this computer's differ by {100 * (seen.pace.ratio - 1.0):+.2f} %",
                     "flow errs by as much: give the board a crystal")  # fmt: skip


def role_name(role: int) -> str:
    """What a channel is for, in words."""
    return next((name for known, name in ROLES.items() if known == role), f"role {role}")
