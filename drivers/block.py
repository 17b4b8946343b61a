"""The Block: the seam between whatever a stand is made of and everything that measures.

A driver turns its device's bytes into `Identity`, `Block`, `Status` and `LinkChange` values. Nothing in this
module does I/O, and nothing above it knows a frame.
"""

from dataclasses import dataclass
from enum import IntEnum, IntFlag

import numpy as np
from numpy.typing import NDArray

UNKNOWN_VALVE = 0xFFFF
"""Valve position that is neither sensed nor commanded."""


class Role(IntEnum):
    """What an analog channel measures."""

    PRESSURE = 1
    SUPPLY_VOLTAGE = 2
    SHUNT = 3
    FLUID_TEMPERATURE = 4
    LEVEL = 5
    SECOND_PRESSURE = 6
    EXCITATION = 7
    AMBIENT_TEMPERATURE = 8
    SHUNT_WIDE = 9
    REFERENCE_VOLTAGE = 10
    """A fixed voltage that the converter reads, to tell whether its own reference is right."""
    CONVERTER_SUPPLY = 11
    """The supply of converter, amplifiers and reference."""
    OTHER = 255
    FLOW = 256
    """A flow that the device has worked out itself. The link counts pulses instead: its roles end at 255."""


class PulseRole(IntEnum):
    """What a pulse counter counts."""

    FLOW = 1
    SECOND_FLOW = 2


class Feature(IntFlag):
    """What is fitted to a device (flags of IDENTITY)."""

    SIMULATED = 1
    POWER_SWITCH = 2
    SETTABLE_SUPPLY = 4
    VALVE_ACTUATOR = 8
    VALVE_SENSOR = 16


class Input(IntFlag):
    """Protective inputs; 1 is the safe state of one that is fitted."""

    STOP_CIRCUIT = 1
    SPLASH_GUARD = 2
    FLUID_LEVEL = 4


class Trip(IntEnum):
    """Why a device switched the pump off by itself."""

    NONE = 0
    LEASE = 1
    OVER_PRESSURE = 2
    OVER_CURRENT = 3
    STOP_CIRCUIT = 4
    SPLASH_GUARD = 5
    FLUID_LOW = 6
    POWER_TOO_LONG = 7
    SELF_TEST = 8
    OTHER_LIMIT = 9


@dataclass(frozen=True, slots=True)
class AnalogInput:
    """One analog channel: volts = (count − zero_count) × volts_per_count. A quantity channel has volts_per_count 0, and
    `resolution` is the smallest difference that it can show, in SI."""

    role: int
    bits: int
    zero_count: int
    volts_per_count: float
    resolution: float = 0.0


@dataclass(frozen=True, slots=True)
class Identity:
    """What a device says it is. `sample_hz` scans a second, `tick_hz` ticks a second."""

    protocol: int
    features: Feature
    device_id: str
    firmware: str
    inputs_fitted: Input
    reset_cause: int
    boot: int
    tick_hz: int
    sample_hz: int
    burst_max_hz: int
    burst_max_total: int
    analog: tuple[AnalogInput, ...]
    pulse: tuple[int, ...]

    @property
    def simulated(self) -> bool:
        return Feature.SIMULATED in self.features

    def analog_index(self, role: Role) -> int | None:
        """The channel that has this role, or None where it is not fitted."""
        return next((k for k, a in enumerate(self.analog) if a.role == role), None)

    def pulse_index(self, role: PulseRole) -> int | None:
        return next((k for k, r in enumerate(self.pulse) if r == role), None)


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """Consecutive scans from a device.

    `tick` and `index` belong to the first scan and are unwrapped: they rise without bound within one boot.
    `values` is `[n, n_analog]`: int16 counts, or float64 in SI units where the device has quantities already.
    `edges[k]` counts the rising edges of counter k since boot and `last_edge[k]` is the tick of the newest one, both
    as they stood at the block's last scan; both are unwrapped, and `last_edge[k]` is −1 while there was no edge.
    `missing` scans were lost before this block (0 for the first block of a boot), `displaced` of them by a capture.
    Bit k of `overrange` says that channel k met an end of the converter.
    """

    boot: int
    tick: int
    index: int
    values: NDArray[np.int16] | NDArray[np.float64]
    edges: NDArray[np.int64]
    last_edge: NDArray[np.int64]
    missing: int = 0
    displaced: int = 0
    overrange: int = 0

    @property
    def n(self) -> int:
        return int(self.values.shape[0])

    @property
    def in_counts(self) -> bool:
        return self.values.dtype == np.int16


@dataclass(frozen=True, slots=True)
class Status:
    """Outputs, inputs and trip of a device at a tick (unwrapped where a Block came before, else as sent)."""

    boot: int
    tick: int
    power_on: bool
    valve_moving: bool
    streaming: bool
    limits_set: bool
    capturing: bool
    valve: int
    supply_mv: int
    inputs: Input
    trip: Trip
    limits_crc: int
    rx_bad: int
    rx_gap: int


class Link(IntEnum):
    """The state of the line to a device."""

    UP = 1
    DOWN = 2
    SILENT = 3


@dataclass(frozen=True, slots=True)
class LinkChange:
    """The line went up, down or silent; `reason` says why, for a technician."""

    link: Link
    reason: str


@dataclass(frozen=True, slots=True)
class DeviceReset:
    """The device has restarted: a run under way is void. `identity` is what it said afterwards, if it did."""

    identity: Identity | None
    reason: str


@dataclass(frozen=True, slots=True)
class Replayed:
    """A note found in a recording at this place: what an operator or the daemon did then (`kind`, JSON body)."""

    kind: str
    body: dict[str, object]


@dataclass(frozen=True, slots=True, eq=False)
class Capture:
    """A fast capture: counts of one channel at `rate_hz`, sample 0 at `tick` (unwrapped as that of a Status).

    As an event it stands where its last missing piece came, whoever asked for it.
    """

    role: int
    rate_hz: int
    tick: int
    counts: list[int]
    overrange: bool


Event = Block | Status | Identity | LinkChange | DeviceReset | Capture | Replayed


@dataclass(slots=True)
class LinkCounts:
    """What went wrong on a line since it was opened; nothing is dropped without being counted here."""

    frames: int = 0
    bad: int = 0
    lost: int = 0
    repeated: int = 0
    unknown: int = 0
    scans: int = 0
    scans_missing: int = 0
    resets: int = 0

    def copy(self) -> "LinkCounts":
        return LinkCounts(
            self.frames,
            self.bad,
            self.lost,
            self.repeated,
            self.unknown,
            self.scans,
            self.scans_missing,
            self.resets,
        )

    def since(self, before: "LinkCounts") -> "LinkCounts":
        """What was added after `before` was copied."""
        return LinkCounts(*(getattr(self, f) - getattr(before, f) for f in self.__slots__))
