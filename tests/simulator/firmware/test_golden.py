"""The virtual device against frames written out by hand from the link's contract page."""

from dataclasses import replace

import numpy as np
from cobs import cobs
from numpy.typing import NDArray

from drivers.block import Input
from simulator.design import DeviceDesign
from simulator.firmware import Firmware
from simulator.plant.meter import Meter, MeterDesign
from simulator.plant.sensors import Converter, Sensor
from tests.drivers.link import golden

DESIGN = DeviceDesign(
    device_id=bytes.fromhex("1122334455667788"),
    firmware=(1, 2, 3),
    boot=261,
    sample_hz=500,
    block_scans=2,
    burst_max_hz=20_000,
    burst_max_total=1024,
    inputs_fitted=Input.STOP_CIRCUIT | Input.SPLASH_GUARD | Input.FLUID_LEVEL,
)
SENSORS = (
    Sensor("pressure", 1, Converter(12, 5 / 4096, 0, 0, 4095), 0.5, 4e-6),
    Sensor("current", 3, Converter(12, -5 / 4096, -8, -4096, 0), 0.0, 0.2),
)


class Board:
    """A board whose scans are given in advance."""

    def __init__(self, scans: list[list[int]], tick: int = 0) -> None:
        self.tick = tick
        self.overrange = 0
        self.inputs = DESIGN.inputs_fitted
        self.supply_mv = 0
        self.travel = 1.0
        self.meter = Meter(MeterDesign(((1.0, 1.0),)))
        self.powered = False
        self.moving = False
        self.scans = scans

    def scan(self) -> list[int]:
        self.tick += 2000
        return self.scans.pop(0)

    def burst(self, role: int, places: NDArray[np.float64]) -> tuple[list[int], bool]:
        return [role] * len(places), False

    def switch(self, on: bool) -> None:
        self.powered = on

    def set_supply(self, millivolts: int) -> None:
        self.supply_mv = millivolts

    def aim_valve(self, travel: float, full_travel: float) -> None:
        self.travel = travel

    def streaming(self) -> None:
        """Nobody follows a script here."""


def test_at_boot_it_says_who_it_is() -> None:
    firmware = Firmware(DESIGN, SENSORS, Board([]))
    assert firmware.take() == b"\0" + golden.IDENTITY.wire


def test_it_gives_identity_when_asked() -> None:
    firmware = Firmware(DESIGN, SENSORS, Board([]))
    firmware.take()
    firmware.receive(golden.IDENTIFY.wire)
    content = cobs.decode(firmware.take()[:-1])
    assert content[1] == 1  # the second frame since boot
    assert content[2:-2] == golden.IDENTITY.content[2:]


def test_scans_byte_for_byte() -> None:
    """The golden SCANS: boot 5, tick one before the wrap, index 256, flags and overrange set, seq 7."""
    board = Board([[0, 0]] * 128 * 2 + [[512, -1], [640, -32768]])
    firmware = Firmware(replace(DESIGN, boot=5), SENSORS, board)
    firmware.receive(golden.STREAM.wire)
    firmware.advance(0.512)
    board.overrange = 2
    board.tick = 0xFFFFFFFF - 2000
    board.meter.edges, board.meter.last_tick = 10, 0xFFFFFFF0
    content = cobs.decode(firmware.advance(0.004)[:-1])
    expected = bytearray(golden.SCANS.content)
    expected[1] = content[1]  # a seq of its own
    expected[12] = 0  # flags: nothing was missing here
    assert content[:-2] == bytes(expected)
