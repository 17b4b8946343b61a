"""Bench, firmware and line faults as one device at the end of a line."""

from simulator.bench import Bench
from simulator.design import Scenario
from simulator.faults import LineFaults
from simulator.firmware import Firmware


class Rig:
    """A simulated device. `run` moves time on and gives what comes out of the line; `write` puts bytes in."""

    def __init__(self, scenario: Scenario, unit: str, seed: int = 1, *, script: bool = False, faults: str = "") -> None:
        self.bench = Bench(scenario, unit, seed, script=script)
        self.firmware = Firmware(scenario.device, scenario.sensors, self.bench)
        self.faults = LineFaults(faults, seed)
        self.block = scenario.device.block_scans / scenario.device.sample_hz

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
