"""A virtual microcontroller that speaks the stand link byte for byte."""

from simulator.firmware.board import Board
from simulator.firmware.device import Firmware

__all__ = ["Board", "Firmware"]
