"""Bench, firmware and line faults as one device at the end of a line."""

from simulator.bench import Bench
from simulator.coupled import CoupledFirmware
from simulator.coupling import Program
from simulator.design import Scenario
from simulator.faults import LineFaults
from simulator.firmware import Firmware


class Rig:
    """A simulated device. `run` moves time on and gives what comes out of the line; `write` puts bytes in; `close` ends
    it.

    The firmware is ours, or that of a `program` (its path and arguments, as a shell would split them).

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
        self.faults = LineFaults(faults, seed)
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
