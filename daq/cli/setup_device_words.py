"""Words for what a device is and shows."""

import math

from daq.measure.flow import Flow
from daq.stand.bringup_checks import TRIPS
from daq.stand.pace import Pace
from daq.stand.ready import INPUTS
from daq.stand.seen import ChannelSeen, PulseSeen
from drivers.block import UNKNOWN_VALVE, AnalogInput, Feature, Identity, Input, PulseRole, Role, Status

UNITS: dict[int, tuple[str, str, float, float, int]] = {
    Role.PRESSURE: ("kPa", "kPa", 1e-3, 0.0, 1),
    Role.SUPPLY_VOLTAGE: ("V", "V", 1.0, 0.0, 3),
    Role.SHUNT: ("A", "A", 1.0, 0.0, 3),
    Role.FLUID_TEMPERATURE: ("°C", "Cel", 1.0, -273.15, 1),
    Role.LEVEL: ("%", "%", 100.0, 0.0, 1),
    Role.SECOND_PRESSURE: ("kPa", "kPa", 1e-3, 0.0, 1),
    Role.EXCITATION: ("V", "V", 1.0, 0.0, 3),
    Role.AMBIENT_TEMPERATURE: ("°C", "Cel", 1.0, -273.15, 1),
    Role.SHUNT_WIDE: ("A", "A", 1.0, 0.0, 3),
    Role.REFERENCE_VOLTAGE: ("V", "V", 1.0, 0.0, 3),
    Role.CONVERTER_SUPPLY: ("V", "V", 1.0, 0.0, 3),
    Role.FLOW: ("L/h", "L/h", 3.6e6, 0.0, 2),
}
"""By role: unit for people, in UCUM, factor and offset from SI, decimal places."""
NO_UNIT = ("", "", 1.0, 0.0, 4)
L_PER_H = 3.6e6

INPUT_WORDS = {
    Input.STOP_CIRCUIT: ("open", "closed"),
    Input.SPLASH_GUARD: ("open", "closed"),
    Input.FLUID_LEVEL: ("low", "sufficient"),
}
SWITCHED_BY_HAND = "no switch fitted, a person does it"


def counted(number: int) -> str:
    """A whole number in groups of three."""
    return f"{number:,}".replace(",", " ")


def in_unit(role: int, value: float) -> float:
    """An SI value in its role's unit, rounded to what is shown."""
    _, _, factor, offset, places = UNITS.get(role, NO_UNIT)
    return round(value * factor + offset, places) + 0.0  # so that there is no −0


def number_text(role: int, value: float) -> str:
    """A value without its unit."""
    if math.isnan(value):
        return "none"
    return f"{in_unit(role, value):.{UNITS.get(role, NO_UNIT)[4]}f}"


def quantity_text(channel: ChannelSeen) -> str:
    """The mean with its unit; nothing where nobody says what the channel is."""
    if channel.value is None or math.isnan(channel.value):
        return ""
    return f"{number_text(channel.role, channel.value)} {UNITS.get(channel.role, NO_UNIT)[0]}".rstrip()


def converter_text(analog: AnalogInput, in_counts: bool) -> str:
    """How fine a channel's converter is."""
    return f"{analog.bits} bit {abs(analog.volts_per_count) * 1e3:.3g} mV" if in_counts else "quantity"


def pulse_name(role: int) -> str:
    names = {PulseRole.FLOW: "flow pulses", PulseRole.SECOND_FLOW: "second flow"}
    return next((name for known, name in names.items() if known == role), f"pulses, role {role}")


def pulse_text(pulse: PulseSeen) -> str:
    """What a counter counted, at which frequency, and what that is."""
    said = [f"{counted(pulse.edges)} since boot, {counted(pulse.new)} of them just now" if pulse.edges else "none yet"]
    if pulse.hertz is not None:
        said.append(f"{pulse.hertz:.2f} Hz")
    elif pulse.quiet is not None:
        said.append(f"the newest {pulse.quiet:.1f} s ago")
    if pulse.flow is not None:
        said.append(flow_text(pulse.flow))
    return "; ".join(said)


def flow_text(flow: Flow) -> str:
    """A flow, or what is known of it."""
    if math.isfinite(flow.value):
        return f"{flow.value * L_PER_H:.2f} L/h"
    if flow.out_of_range:
        return f"about {flow.low * L_PER_H:.0f} L/h, beyond its table"
    return f"below {flow.high * L_PER_H:.2f} L/h" + ("" if flow.silent else ", where its table begins")


def input_rows(identity: Identity, status: Status | None) -> list[tuple[str, str]]:
    """The protective inputs, one a row."""
    rows = []
    for which, name in INPUTS.items():
        if which not in identity.inputs_fitted:
            rows.append((name, "not fitted"))
        else:
            rows.append((name, "not told" if status is None else INPUT_WORDS[which][which in status.inputs]))
    return rows


def inputs_text(identity: Identity, status: Status | None) -> str:
    """The protective inputs on one line."""
    return ", ".join(f"{name} {text}" for name, text in input_rows(identity, status))


def output_rows(identity: Identity, status: Status | None) -> list[tuple[str, str]]:
    """What the device drives or could drive, one a row."""
    if status is None:
        return [("outputs", "nothing told of them")]
    return [
        ("power", _power(identity, status)),
        ("valve", _valve(identity, status)),
        ("supply", _supply(identity, status)),
        ("limits", f"set, check sum {status.limits_crc:#06x}" if status.limits_set else "none set"),
        ("trip", TRIPS[status.trip]),
    ]


def _power(identity: Identity, status: Status) -> str:
    by = "the device can switch it" if Feature.POWER_SWITCH in identity.features else SWITCHED_BY_HAND
    return f"{'ON' if status.power_on else 'off'}; {by}"


def _valve(identity: Identity, status: Status) -> str:
    moved = Feature.VALVE_ACTUATOR in identity.features
    sensed = Feature.VALVE_SENSOR in identity.features
    if status.valve == UNKNOWN_VALVE:
        at = "nobody knows where"
    else:
        at = f"{status.valve / 100:.1f} % open{'' if sensed else ' by command'}{', moving' * status.valve_moving}"
    by = "the device can move it" if moved else "no actuator fitted, a person moves it"
    return f"{at}; {by}"


def _supply(identity: Identity, status: Status) -> str:
    if Feature.SETTABLE_SUPPLY not in identity.features:
        return "cannot be set from here"
    return f"set to {status.supply_mv / 1e3:.2f} V" if status.supply_mv else "can be set, is not"


def pace_texts(pace: Pace | None, virtual: bool, sample_hz: int) -> tuple[str, str]:
    """How the device's clock goes, and how blocks come in, by this computer's clock."""
    if virtual:
        return ("not compared: sample time is not wall time", "")
    if pace is None:
        return ("too little came to tell", "")
    ahead, doubt = 100 * (pace.ratio - 1.0), 100 * pace.doubt
    clock = f"{ahead:+.3f} % ± {doubt:.3f} % against this computer, {sample_hz * pace.ratio:.2f} scans/s by it"
    late = f"{1e3 * pace.usual:.1f} ms, at worst {1e3 * pace.worst:.1f} ms; longest gap {1e3 * pace.gap:.0f} ms"
    return clock, f"usually {late}"
