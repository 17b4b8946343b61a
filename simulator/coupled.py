"""A firmware in a process of its own, on the bench."""

import numpy as np

from drivers.block import Identity, Input
from drivers.link.deframer import Deframer
from drivers.link.frames import Scans
from simulator.bench import Bench
from simulator.coupling import Answer, Program, Span
from simulator.design import DeviceDesign
from simulator.errors import SimulatorError
from simulator.firmware.device import EXTERNAL_RESET
from simulator.firmware.drive import FULLY_OPEN

FINE = 40
"""Samples of the wide shunt in a scan's time: 20 000 a second at 500 scans a second, as fast as captures go."""
ALL_INPUTS = int(Input.STOP_CIRCUIT | Input.SPLASH_GUARD | Input.FLUID_LEVEL)
_PLACES = np.arange(1, FINE + 1) / FINE


class CoupledFirmware:
    """The face of `simulator.firmware.Firmware`, in front of a program that speaks `simulator.coupling`.

    Each scan of the bench is a span of the program: it is given what stands at its pins at the scan's end, and what it
    does to power and valve counts from the next scan on. The volts follow the roles of the program's own IDENTITY; what
    the scenario does not have gives none. Inputs that the scenario does not fit are bridged. Power and valve move when
    the program changes its mind, so that a person's hands may move them too.

    `power_off_at` (s of the bench) is when the power pin last fell. Errors of the program are ProgramErrors.
    """

    def __init__(self, program: Program, design: DeviceDesign, bench: Bench) -> None:
        self.program = program
        self.power_off_at: float | None = None
        self._design, self._bench = design, bench
        self._seconds = 1.0 / design.sample_hz
        self._owed = 0.0
        self._spans = 0
        self._received = bytearray()
        self._out = bytearray()
        self._deframer = Deframer()
        self._identity: Identity | None = None
        self._roles = [int(sensor.role) for sensor in bench.scenario.sensors]
        self._power = self._wants_fine = False
        self._valve: int | None = None

    @property
    def identity(self) -> Identity:
        """What the program said that it is.

        Raises:
            SimulatorError: it has said nothing yet; it does so in the first spans.
        """
        if self._identity is None:
            raise SimulatorError(f"firmware program {self.program.name}: no IDENTITY yet; run it for a while first")
        return self._identity

    def receive(self, data: bytes) -> None:
        """Takes bytes from the host; they are on the line from the next scan on."""
        self._received += data

    def advance(self, seconds: float) -> bytes:
        """Moves time on by whole scans (a rest is kept for the next call) and gives the bytes sent meanwhile."""
        self._owed += seconds * self._design.sample_hz + 1e-9
        scans = int(self._owed)
        self._owed -= scans
        for _ in range(scans):
            self._span()
        return self.take()

    def take(self) -> bytes:
        """The bytes that wait to be sent, without moving time."""
        out = bytes(self._out)
        self._out.clear()
        return out

    def reset(self, cause: int = EXTERNAL_RESET) -> None:
        """Resets the microcontroller; what was on the line to it is lost."""
        self._received.clear()
        self.program.reset(cause)

    def close(self) -> None:
        """Ends the program."""
        self.program.close()

    def _span(self) -> None:
        bench = self._bench
        begin = bench.time
        bench.scan()
        self._take(begin, self.program.run(self._given()))

    def _given(self) -> Span:
        bench, hz = self._bench, self._design.sample_hz
        end = (self._spans + 1) * 1_000_000 // hz
        length = end - self._spans * 1_000_000 // hz
        self._spans += 1
        pins = bench.pins()
        received, self._received = bytes(self._received[:0xFFFF]), self._received[0xFFFF:]
        return Span(
            microseconds=length,
            volts=[pins.get(role, 0.0) for role in self._roles],
            inputs=int(bench.inputs) | ALL_INPUTS & ~int(self._design.inputs_fitted),
            edges=[min(int(place * length * 1000), length * 1000 - 1) for place in bench.meter.places()],
            fine=bench.fine_pins(_PLACES) if self._wants_fine else (),
            received=received,
        )

    def _take(self, begin: float, answer: Answer) -> None:
        self._listen(answer.sent)
        self._wants_fine = answer.fine
        if answer.fell is not None:
            self.power_off_at = begin + 1e-9 * answer.fell
        if answer.power != self._power:
            self._power = answer.power
            self._bench.switch(answer.power)
        if answer.valve is not None and answer.valve != self._valve:
            self._bench.aim_valve(answer.valve / FULLY_OPEN, self._design.valve_travel)
        self._valve = answer.valve

    def _listen(self, sent: bytes) -> None:
        """Looks at what the program tells the host: which channels it has, and whether it streams."""
        self._out += sent
        for piece in self._deframer.feed(sent) if sent else ():
            if isinstance(piece.frame, Identity):
                self._identity = piece.frame
                self._roles = [int(channel.role) for channel in piece.frame.analog]
            elif isinstance(piece.frame, Scans):
                self._bench.streaming()
