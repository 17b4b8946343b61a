"""A program that speaks the simulator's coupling with the virtual microcontroller in it, so that the coupling can be
tested without a compiler. Started as `python paper_firmware.py`; with `--valve N` it puts the valve there at once."""

import argparse
import struct
import sys
from dataclasses import replace
from typing import BinaryIO

from drivers.block import Feature, Input
from simulator.firmware import Firmware
from simulator.plant.meter import Meter
from simulator.scenario import load_scenario

SCENARIO = load_scenario("depot")
FEATURES = Feature.POWER_SWITCH | Feature.VALVE_ACTUATOR
FITTED = Input.STOP_CIRCUIT | Input.SPLASH_GUARD | Input.FLUID_LEVEL


class PaperBoard:
    """A firmware's board whose pins are what the last span said."""

    overrange = 0
    supply_mv = 0
    travel = 1.0
    powered = False
    moving = False

    def __init__(self) -> None:
        self.tick = 0
        self.inputs = Input(0)
        self.meter = Meter(SCENARIO.meter)
        self.volts: tuple[float, ...] = ()
        self.fine: tuple[float, ...] = ()
        self.ns: tuple[int, ...] = ()
        self.valve = 65_535
        self.fell = 0xFFFFFFFF
        self.burst_taken = False

    def scan(self) -> list[int]:
        for ns in self.ns:
            self.meter.edges += 1
            self.meter.last_tick = self.tick + ns // 1000
        self.tick += 2000
        pairs = zip(self.volts, SCENARIO.sensors, strict=True)
        return [min(4095, round(v / abs(s.converter.volts_per_count))) for v, s in pairs]

    def burst(self, role: int, places: object) -> tuple[list[int], bool]:
        self.burst_taken = True
        volts = self.fine or (self.volts[2],) * 40
        return [round(volts[min(39, int(40 * x))] * 4096 / 5) for x in places], False  # type: ignore[attr-defined]

    def switch(self, on: bool) -> None:
        if self.powered and not on:
            self.fell = 2_000_000
        self.powered = on

    def set_supply(self, millivolts: int) -> None:
        raise AssertionError("no supply that can be set is fitted")

    def aim_valve(self, travel: float, full_travel: float) -> None:
        self.valve = round(10_000 * travel)

    def streaming(self) -> None:
        pass


def take(pipe: BinaryIO, form: str) -> tuple[float, ...]:
    return struct.unpack(f"<{form}", pipe.read(struct.calcsize(f"<{form}")))


def read_span(board: PaperBoard, pipe: BinaryIO) -> bytes:
    _, n = take(pipe, "IB")
    board.volts = take(pipe, f"{n}f")
    board.inputs = Input(int(take(pipe, "B")[0]))
    board.ns = tuple(map(int, take(pipe, f"{int(take(pipe, 'H')[0])}I")))
    board.fine = take(pipe, f"{int(take(pipe, 'H')[0])}f")
    return pipe.read(int(take(pipe, "H")[0]))


def main() -> None:
    options = argparse.ArgumentParser()
    options.add_argument("--valve", type=int, default=65_535)
    board = PaperBoard()
    board.valve = options.parse_args().valve
    device = replace(SCENARIO.device, features=FEATURES, inputs_fitted=FITTED)
    firmware = Firmware(device, SCENARIO.sensors, board)
    pipe, out = sys.stdin.buffer, sys.stdout.buffer
    out.write(b"S\1")
    out.flush()
    while kind := pipe.read(1):
        if kind == b"R":
            firmware.reset(pipe.read(1)[0])
            continue
        firmware.receive(read_span(board, pipe))
        sent = firmware.advance(0.002)
        out.write(b"T" + struct.pack("<H", len(sent)) + sent)
        out.write(struct.pack("<BIHB", board.powered, board.fell, board.valve, board.burst_taken))
        out.flush()
        board.fell, board.burst_taken = 0xFFFFFFFF, False


if __name__ == "__main__":
    main()
