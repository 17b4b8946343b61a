"""A recording in place of the bench: the virtual microcontroller reads its rows as counts and edges."""

from collections.abc import Sequence
from dataclasses import replace
from itertools import accumulate, pairwise, repeat

import numpy as np
from numpy.typing import NDArray

from drivers.block import Feature, Role
from simulator.design import NO_INPUTS, Scenario
from simulator.errors import RecordingError
from simulator.faults import LineFaults
from simulator.firmware import Firmware
from simulator.plant.meter import Meter, MeterDesign
from simulator.plant.sensors import Channel, Flaw, Sensor
from simulator.playback_file import Recording

QUANTITIES = {
    "pressure": Role.PRESSURE,
    "voltage": Role.SUPPLY_VOLTAGE,
    "current": Role.SHUNT,
    "temperature": Role.FLUID_TEMPERATURE,
    "level": Role.LEVEL,
}
_NO_FLAW = Flaw(0.0, 0.0)
_ROUNDING = 1e-9
ROUNDS = 20


class PlayedBoard:
    """A `firmware.Board` whose scans come from a recording, by the sensors of a scenario without errors or noise.

    A row holds until the next one comes. Its time 0 is the first scan that is streamed; before that the first row
    stands, without an edge. Flow is turned into edges at exact ticks by integrating flow × K; flow backwards turns no
    meter. The person at this bench has gone: switch and valve move nothing.
    """

    powered = False
    moving = False
    travel = 1.0
    supply_mv = 0
    inputs = NO_INPUTS

    def __init__(self, recording: Recording, scenario: Scenario, meter: MeterDesign) -> None:
        device = scenario.device
        self.tick = self.overrange = 0
        self.sensors = tuple(s for s in scenario.sensors if _quantity(s.role) in recording.columns)
        missing = recording.columns.keys() - {_quantity(s.role) for s in self.sensors} - {"flow"}
        if missing:
            raise RecordingError(
                f"{recording.path}: it holds {min(missing)}, for which scenario {scenario.path.stem!r} has no sensor; "
                "take another scenario"
            )
        self.meter = Meter(meter)
        self._times, self._row = recording.times, 0
        self._tick_hz, self._ticks = device.tick_hz, device.tick_hz // device.sample_hz
        self._rows = _counts(recording, self.sensors)
        self._hertz, self._phase = _pulses(recording, meter)
        self._begun: int | None = None

    @property
    def played(self) -> float:
        """Seconds of the recording that have been played."""
        return 0.0 if self._begun is None else (self.tick - self._begun) / self._tick_hz

    def streaming(self) -> None:
        """The device streams scans: the recording begins with the first."""
        if self._begun is None:
            self._begun = self.tick

    def scan(self) -> list[int]:
        """Moves on by one scan; its counts in the order of `sensors`."""
        self.tick += self._ticks
        now, row, times = self.played, self._row, self._times
        while row + 1 < len(times) and times[row + 1] <= now + _ROUNDING:
            row += 1
        self._row = row
        self._turn(row, now)
        counts, self.overrange = self._rows[row]
        return counts

    def _turn(self, row: int, now: float) -> None:
        """Counts the edges up to `now`; the newest may have come in an earlier row."""
        edges = int(self._phase[row] + self._hertz[row] * (now - self._times[row]) + _ROUNDING)
        if edges > self.meter.edges:
            while self._phase[row] >= edges - _ROUNDING:
                row -= 1
            at = self._times[row] + (edges - self._phase[row]) / self._hertz[row]
            self.meter.edges = edges
            self.meter.last_tick = (self._begun or 0) + int(at * self._tick_hz + _ROUNDING)

    def burst(self, role: int, places: NDArray[np.float64]) -> tuple[list[int], bool]:
        """What stands at the moment, for each place: a recording knows nothing faster."""
        channel = [s.role for s in self.sensors].index(role)
        counts, overrange = self._rows[self._row]
        return [counts[channel]] * places.size, bool(overrange & 1 << channel)

    def switch(self, on: bool) -> None:
        pass

    def set_supply(self, millivolts: int) -> None:
        pass

    def aim_valve(self, travel: float, full_travel: float) -> None:
        pass


class PlayedRig:
    """Recording, firmware and line faults as one device at the end of a line, which ends with the recording."""

    def __init__(self, recording: Recording, scenario: Scenario, meter: MeterDesign, faults: str, seed: int) -> None:
        own = replace(scenario.device, features=Feature.SIMULATED, inputs_fitted=NO_INPUTS, burst_max_hz=0,
                      meter_fitted="flow" in recording.columns)  # fmt: skip
        self.board = PlayedBoard(recording, scenario, meter)
        self.firmware = Firmware(own, self.board.sensors, self.board)
        self.faults = LineFaults(faults, seed)
        self.block = own.block_scans / own.sample_hz
        self._tick_hz = own.tick_hz
        self._until = recording.duration + self.block

    @property
    def time(self) -> float:
        """Virtual seconds since the start."""
        return self.board.tick / self._tick_hz

    @property
    def unplugged(self) -> bool:
        """Whether nothing comes any more: the recording is over, or the line was unplugged."""
        return self.board.played > self._until or self.faults.unplugged(self.time)

    def run(self) -> list[bytes]:
        """Moves on by the time of one block; what the host gets meanwhile, in the portions in which it comes."""
        if self.faults.take_reset(self.time):
            self.firmware.reset()
        self.write(b"")
        return self.faults.to_host(self.firmware.advance(self.block), self.time)

    def write(self, data: bytes) -> None:
        """Bytes from the host."""
        self.firmware.receive(self.faults.to_device(data, self.time))

    def close(self) -> None:
        """Nothing here has to be ended."""


def _quantity(role: int) -> str:
    return next((quantity for quantity, known in QUANTITIES.items() if known == role), "")


def _counts(recording: Recording, sensors: Sequence[Sensor]) -> list[tuple[list[int], int]]:
    """Counts and overrange of each row."""
    pairs = [_converted(recording.columns[_quantity(s.role)], s) for s in sensors]
    rows = zip(*pairs, strict=True) if pairs else repeat((), len(recording.times))
    return [([n for n, _ in row], sum(1 << k for k, (_, over) in enumerate(row) if over)) for row in rows]


def _converted(values: Sequence[float], sensor: Sensor) -> list[tuple[int, bool]]:
    channel = Channel(sensor, _NO_FLAW)
    return [channel.convert(value - sensor.quantity_zero) for value in values]


def _pulses(recording: Recording, meter: MeterDesign) -> tuple[list[float], list[float]]:
    """The pulse rate of each row, and the pulses that had come before it."""
    flows = recording.columns.get("flow", [0.0] * len(recording.times))
    hertz = [_hertz(max(flow, 0.0), meter) for flow in flows]
    seconds = (after - before for before, after in pairwise(recording.times))
    return hertz, list(accumulate((rate * held for rate, held in zip(hertz, seconds, strict=False)), initial=0.0))


def _hertz(flow: float, meter: MeterDesign) -> float:
    """The pulse rate at a flow. K depends on that rate, but so little that a few rounds find it."""
    hertz = 0.0
    for _ in range(ROUNDS):
        hertz = flow * meter.k_at(hertz)
    return hertz
