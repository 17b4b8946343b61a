"""Bench, firmware and faults as one device at the end of a line."""

from math import inf

from simulator.bench import Bench
from simulator.coupled import CoupledFirmware
from simulator.coupling import Program
from simulator.design import Scenario
from simulator.faults import FaultError, LineFaults
from simulator.firmware import Firmware
from simulator.unit_faults import known_faults


class Rig:
    """A simulated device. `run` moves time on and gives what comes out of the line; `write` puts bytes in; `close` ends
    it.

    The firmware is ours, or that of a `program` (its path and arguments, as a shell would split them). `faults` are
    those of the line, and with them any of the unit or of the stand, so many seconds after it begins: `stop_open:20`.

    Raises:
        SimulatorError: unit or program make no sense; later, what the program does.
    """

    firmware: Firmware | CoupledFirmware

    def __init__(
        self,
        scenario: Scenario,
        unit: str,
        seed: int = 1,
        *,
        script: bool = False,
        faults: str = "",
        program: str = "",
    ) -> None:
        self.bench = Bench(scenario, unit, seed, script=script)
        of_line, others = split_faults(faults)
        self.faults = LineFaults(of_line, seed)
        for name, at in others:
            self.bench.befall(name, at)
        self.block = scenario.device.block_scans / scenario.device.sample_hz
        if program:
            self.firmware = CoupledFirmware(Program(program), scenario.device, self.bench)
        else:
            self.firmware = Firmware(scenario.device, scenario.sensors, self.bench)

    @property
    def time(self) -> float:
        """Virtual seconds since the start."""
        return self.bench.time

    @property
    def unplugged(self) -> bool:
        return self.faults.unplugged(self.time)

    def run(self) -> list[bytes]:
        """Moves on by the time of one block; what the host gets meanwhile, in the portions in which it comes."""
        if self.faults.take_reset(self.time):
            self.firmware.reset()
        self.write(b"")
        sent = self.firmware.advance(self.block)
        return self.faults.to_host(sent, self.time)

    def write(self, data: bytes) -> None:
        """Bytes from the host."""
        self.firmware.receive(self.faults.to_device(data, self.time))

    def close(self) -> None:
        """Ends the program, where the firmware is one."""
        if isinstance(self.firmware, CoupledFirmware):
            self.firmware.close()


def split_faults(text: str) -> tuple[str, list[tuple[str, float]]]:
    """A list of faults as that of the line, and those of a unit or of the stand with their times (s; 0 where left out).

    Raises:
        FaultError: a time is none.
    """
    parts = [part.strip() for part in text.split(",") if part.strip()]
    others = [part for part in parts if part.partition(":")[0] in known_faults()]
    return ",".join(part for part in parts if part not in others), [_timed(part) for part in others]


def _timed(text: str) -> tuple[str, float]:
    name, _, given = text.partition(":")
    try:
        at = float(given or 0.0)
    except ValueError:
        at = -1.0
    if not 0.0 <= at < inf:
        raise FaultError(f"fault {text!r}: expected seconds, not below zero, behind the colon; write such as {name}:20")
    return name, at
