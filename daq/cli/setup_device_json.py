"""What a device showed, for programs: numbers with their units, None where there is nothing."""

import math
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from daq.cli.setup_device_view import Opened
from daq.cli.setup_device_words import L_PER_H, NO_UNIT, UNITS, in_unit
from daq.measure.flow import Flow
from daq.stand.bringup_checks import Remark, role_name
from daq.stand.ready import INPUTS
from daq.stand.seen import ChannelSeen, PulseSeen, Seen
from drivers.block import UNKNOWN_VALVE, Feature, Identity, Status

RESETS = ("power_on", "external", "brown_out", "watchdog")


def as_json(opened: Opened, seen: Seen, found: Sequence[Remark], reference: str | None) -> dict[str, Any]:
    """All of it; `reference` is that of the stand's pressure, None where nobody knows."""
    return {
        "address": opened.address,
        "simulated": opened.simulated,
        "stand": opened.stand or None,
        "ready": bool(opened.stand) and not any(remark.blocks for remark in found),
        "remarks": [asdict(remark) for remark in found],
        "device": _device(seen.identity),
        "channels": [_channel(seen.identity, channel, reference) for channel in seen.channels],
        "pulses": [_pulse(pulse) for pulse in seen.pulses],
        "inputs": _inputs(seen.identity, seen.status),
        "outputs": None if seen.status is None else _outputs(seen.identity, seen.status),
        "link": _link(opened, seen),
    }


def _device(identity: Identity) -> dict[str, Any]:
    return {
        "id": identity.device_id,
        "firmware": identity.firmware,
        "protocol": identity.protocol,
        "boot": identity.boot,
        "reset_causes": [word for bit, word in enumerate(RESETS) if identity.reset_cause >> bit & 1],
        "tick_hz": identity.tick_hz,
        "scans_hz": identity.sample_hz,
        "capture_max_hz": identity.burst_max_hz,
        "capture_max_samples": identity.burst_max_total,
        "features": [str(feature.name).lower() for feature in Feature if feature in identity.features],
    }


def _channel(identity: Identity, channel: ChannelSeen, reference: str | None) -> dict[str, Any]:
    analog = identity.analog[channel.index]
    made: dict[str, Any] = {
        "index": channel.index,
        "role": channel.role,
        "name": role_name(channel.role),
        "bits": analog.bits,
        "zero_count": analog.zero_count,
        "volts_per_count": analog.volts_per_count,
        "in_counts": channel.in_counts,
        "newest": _finite(channel.newest),
        "min": _finite(channel.low),
        "max": _finite(channel.high),
        "volts": _finite(channel.volts),
        "value": None,
        "span": channel.span.value,
    }
    if channel.value is not None and math.isfinite(channel.value):
        unit = UNITS.get(channel.role, NO_UNIT)[1]
        made["value"] = {"value": in_unit(channel.role, channel.value), "unit": unit}
        if unit == "kPa" and reference is not None:
            made["value"]["reference"] = reference
    return made


def _pulse(pulse: PulseSeen) -> dict[str, Any]:
    return {
        "index": pulse.index,
        "role": pulse.role,
        "edges": pulse.edges,
        "new_edges": pulse.new,
        "hertz": pulse.hertz,
        "quiet_s": pulse.quiet,
        "flow": None if pulse.flow is None else _flow(pulse.flow),
    }


def _flow(flow: Flow) -> dict[str, Any]:
    value, low, high = (_finite(x * L_PER_H) for x in (flow.value, flow.low, flow.high))
    return {"value": value, "low": low, "high": high, "unit": "L/h"}


def _inputs(identity: Identity, status: Status | None) -> dict[str, Any]:
    """Safe or not by name; None for what is not fitted or not told yet."""
    told = {which for which in INPUTS if status is not None and which in identity.inputs_fitted}
    return {
        str(which.name).lower(): (which in status.inputs) if status is not None and which in told else None
        for which in INPUTS
    }


def _outputs(identity: Identity, status: Status) -> dict[str, Any]:
    settable = Feature.SETTABLE_SUPPLY in identity.features
    return {
        "power": status.power_on,
        "valve_open": None if status.valve == UNKNOWN_VALVE else status.valve / 1e4,
        "valve_moving": status.valve_moving,
        "supply": {"value": status.supply_mv / 1e3, "unit": "V"} if settable else None,
        "streaming": status.streaming,
        "capturing": status.capturing,
        "limits_set": status.limits_set,
        "limits_crc": status.limits_crc,
        "trip": status.trip.name.lower(),
    }


def _link(opened: Opened, seen: Seen) -> dict[str, Any]:
    pace, status = seen.pace, seen.status
    return {
        "answered_s": round(opened.took, 3),
        "seconds": seen.seconds,
        "scans": seen.scans,
        "scans_missing": seen.missing,
        "scans_displaced": seen.displaced,
        "scans_per_block": seen.per_block,
        "counts": asdict(seen.counts),
        "device_heard": None if status is None else {"bad": status.rx_bad, "missing": status.rx_gap},
        "pace": None if pace is None else asdict(pace),
    }


def _finite(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else value
