"""The virtual microcontroller: scans, status and requests, as the link's contract page says."""

import struct
from collections import deque
from collections.abc import Callable
from dataclasses import replace

from drivers.block import UNKNOWN_VALVE, AnalogInput, Feature, Identity, PulseRole, Status, Trip
from drivers.link.codec import encode
from drivers.link.deframer import UNCOUNTED, Deframer, Piece, Trouble
from drivers.link.frames import (
    LEAVE_SUPPLY,
    LEAVE_VALVE,
    PROTOCOL,
    Burst,
    CaptureRequest,
    Clear,
    Drive,
    Frame,
    Identify,
    Limits,
    Reply,
    ReplyCode,
    Stream,
    Type,
)
from simulator.design import DeviceDesign
from simulator.firmware.board import Board
from simulator.firmware.capture import Capture
from simulator.firmware.drive import FULLY_OPEN, refusal, where_it_can_be
from simulator.firmware.gathering import WRAP, Gathering
from simulator.firmware.guard import Guard
from simulator.firmware.request import flag_good, right_length
from simulator.plant.sensors import Sensor

STATUS_HZ = 20
"""STATUS goes out at most so often."""
PIECES_PER_BLOCK = 2
"""BURST frames sent beside a block of scans, so that the line of 250 000 baud carries both."""
POWER_ON_RESET, EXTERNAL_RESET, BROWN_OUT, WATCHDOG = 1, 2, 4, 8
HOST_TYPES = frozenset({Type.IDENTIFY, Type.STREAM, Type.DRIVE, Type.LIMITS, Type.CAPTURE, Type.CLEAR})
UNCOUNTED_TOO = UNCOUNTED | {Trouble.REPEAT, Trouble.UNKNOWN_TYPE, Trouble.EARLY, None}


class Firmware:
    """The device on its board. `receive` takes the host's bytes, `advance` moves time on and gives the device's."""

    def __init__(self, design: DeviceDesign, sensors: tuple[Sensor, ...], board: Board) -> None:
        self.boot = design.boot - 1
        self._design = design
        self._board = board
        self._channels = tuple(
            AnalogInput(s.role, s.converter.bits, s.converter.zero_count, _single(s.converter.volts_per_count))
            for s in sensors
        )
        self._status_scans = design.sample_hz // STATUS_HZ
        self._owed = 0.0
        self._out = bytearray()
        self._answers: dict[type, Callable[..., ReplyCode]] = {
            Stream: self._stream,
            Drive: self._drive,
            Limits: self._limits,
            CaptureRequest: self._capture_request,
            Clear: self._clear,
        }
        self.reset(POWER_ON_RESET)

    def reset(self, cause: int = EXTERNAL_RESET) -> None:
        """Starts anew: the boot number rises, streaming, limits, lease and trip are gone, and a fitted switch is
        off."""
        design, board = self._design, self._board
        self.boot = (self.boot + 1) & 0xFFFF
        self._cause = cause
        self._boot_tick = self._last_tick = board.tick
        self._boot_edges = board.meter.edges
        self._deframer = Deframer()
        self._guard = Guard(self._channels, design.tick_hz, design.inputs_fitted)
        self._seq = self._rx_bad = self._rx_gap = 0
        self._streaming = False
        self._block = Gathering()
        self._capture: Capture | None = None
        self._pieces: deque[Burst] = deque()
        self._sending = 0
        self._scans = 0
        self._commanded_valve = UNKNOWN_VALVE
        self._told: tuple[object, ...] = ()
        self._told_at = -design.sample_hz
        if Feature.POWER_SWITCH in design.features:
            board.switch(False)
        self._out += b"\0"
        self._send(self.identity)

    @property
    def identity(self) -> Identity:
        """What the device says it is."""
        design = self._design
        return Identity(
            protocol=PROTOCOL,
            features=design.features,
            device_id=design.device_id.hex(),
            firmware=".".join(map(str, design.firmware)),
            inputs_fitted=design.inputs_fitted,
            reset_cause=self._cause,
            boot=self.boot,
            tick_hz=design.tick_hz,
            sample_hz=design.sample_hz,
            burst_max_hz=design.burst_max_hz,
            burst_max_total=design.burst_max_total,
            analog=self._channels,
            pulse=(PulseRole.FLOW,) if design.meter_fitted else (),
        )

    @property
    def trip(self) -> Trip:
        return self._guard.trip

    def receive(self, data: bytes) -> None:
        """Takes bytes from the host. Nothing that it sends raises."""
        for piece in self._deframer.feed(data):
            self._take(piece)

    def advance(self, seconds: float) -> bytes:
        """Moves time on by whole scans (a rest is kept for the next call) and gives the bytes sent meanwhile."""
        self._owed += seconds * self._design.sample_hz + 1e-9
        scans = int(self._owed)
        self._owed -= scans
        for _ in range(scans):
            self._scan()
        return self.take()

    def take(self) -> bytes:
        """The bytes that wait to be sent, without moving time."""
        out = bytes(self._out)
        self._out.clear()
        return out

    # Time

    def _scan(self) -> None:
        board = self._board
        before = self._last_tick
        counts = board.scan()
        now = self._last_tick = board.tick
        self._scans += 1
        if self._guard.watch(now, counts, board.inputs, powered=self._switched_on()):
            board.switch(False)
        if self._capture is not None:
            self._sample(self._capture, before, now)
        elif self._streaming:
            self._gather(counts, now)
        if self._pieces and self._scans % self._design.block_scans == 0:
            self._send_pieces()
        if self._scans % self._status_scans == 0:
            self._tell_status()

    def _switched_on(self) -> bool:
        return Feature.POWER_SWITCH in self._design.features and self._board.powered

    def _gather(self, counts: list[int], now: int) -> None:
        board, block = self._board, self._block
        if not block.n:
            board.streaming()
        block.add(counts, now - self._boot_tick, board.overrange)
        if block.n == self._design.block_scans:
            self._flush()

    def _flush(self) -> None:
        """Sends the scans gathered so far, with the counter as it stands now."""
        if self._block.n:
            meter = self._board.meter
            edges = meter.edges - self._boot_edges
            last = meter.last_tick - self._boot_tick if edges else 0
            frame = self._block.take(self.boot & 0xFF, edges & WRAP, last & WRAP)
            self._send(frame if self._design.meter_fitted else replace(frame, edges=(), last_edge=()))

    def _sample(self, capture: Capture, before: int, now: int) -> None:
        capture.take(before, now, self._board.burst)
        if capture.full:
            if self._streaming:
                self._block.displace(capture.displaced)
            self._pieces.extend(capture.pieces(self._boot_tick))
            self._sending = capture.request.capture
            self._capture = None

    def _send_pieces(self) -> None:
        for _ in range(min(PIECES_PER_BLOCK, len(self._pieces))):
            self._send(self._pieces.popleft())

    # Telling

    def _send(self, frame: Frame) -> None:
        self._out += encode(self._seq, frame)
        self._seq = (self._seq + 1) & 0xFF

    def _tell_status(self) -> None:
        status = self._status()
        told = (status.power_on, status.valve_moving, status.streaming, status.limits_set, status.capturing,
                status.valve, status.supply_mv, status.inputs, status.trip, status.limits_crc, status.rx_bad,
                status.rx_gap)  # fmt: skip
        if told != self._told or self._scans - self._told_at >= self._design.sample_hz:
            self._told, self._told_at = told, self._scans
            self._send(status)

    def _status(self) -> Status:
        board, guard, features = self._board, self._guard, self._design.features
        return Status(
            boot=self.boot & 0xFF,
            tick=(board.tick - self._boot_tick) & WRAP,
            power_on=board.powered,
            valve_moving=Feature.VALVE_ACTUATOR in features and board.moving,
            streaming=self._streaming,
            limits_set=guard.limits is not None,
            capturing=self._capture is not None or bool(self._pieces),
            valve=round(board.travel * FULLY_OPEN) if Feature.VALVE_SENSOR in features else self._commanded_valve,
            supply_mv=board.supply_mv,
            inputs=board.inputs & self._design.inputs_fitted,
            trip=guard.trip,
            limits_crc=guard.limits_crc,
            rx_bad=self._rx_bad & 0xFFFF,
            rx_gap=self._rx_gap & 0xFFFF,
        )

    # Requests

    def _take(self, piece: Piece) -> None:
        self._rx_gap += piece.lost
        known = piece.type in HOST_TYPES
        # A frame of the other direction is of a type that a device does not know, whatever its length.
        if piece.trouble not in UNCOUNTED_TOO and not (piece.sound and (not known or right_length(piece))):
            self._rx_bad += 1
        if not piece.sound:
            return
        if isinstance(piece.frame, Identify):
            self._send(self.identity)
            return
        code = ReplyCode.UNKNOWN_TYPE
        if known:
            answer = self._answers.get(type(piece.frame))
            code = ReplyCode.BAD_VALUE if answer is None or not flag_good(piece) else answer(piece.frame)
        self._send(Reply(piece.seq, code))

    def _stream(self, request: Stream) -> ReplyCode:
        if self._streaming and not request.on:
            self._flush()
        self._streaming = request.on
        return ReplyCode.DONE

    def _drive(self, request: Drive) -> ReplyCode:
        if not request.power or request.lease_ms == 0:
            return self._drive_off(request)
        board = self._board
        code = refusal(request, self._design, self._guard, board.inputs)
        if code is not ReplyCode.DONE:
            return code
        self._guard.power_on(board.tick, request.lease_ms, was_on=board.powered)
        self._set_outputs(request)
        board.switch(True)
        return ReplyCode.DONE

    def _drive_off(self, request: Drive) -> ReplyCode:
        """Power off comes first and is never refused; what else the frame asks for is done where it can be."""
        if Feature.POWER_SWITCH in self._design.features:
            self._board.switch(False)
        self._set_outputs(where_it_can_be(request, self._design))
        return ReplyCode.DONE

    def _set_outputs(self, request: Drive) -> None:
        if request.supply_mv != LEAVE_SUPPLY:
            self._board.set_supply(request.supply_mv)
        if request.valve != LEAVE_VALVE:
            self._commanded_valve = request.valve
            self._board.aim_valve(request.valve / FULLY_OPEN, self._design.valve_travel)

    def _limits(self, request: Limits) -> ReplyCode:
        if any(entry.channel >= len(self._channels) for entry in request.entries):
            return ReplyCode.BAD_VALUE
        if Feature.POWER_SWITCH not in self._design.features:
            return ReplyCode.NOT_FITTED
        self._guard.set_limits(request)
        return ReplyCode.DONE

    def _capture_request(self, request: CaptureRequest) -> ReplyCode:
        design = self._design
        fitted = design.burst_max_hz > 0 and any(request.role == c.role for c in self._channels)
        in_range = 0 < request.rate_hz <= max(design.burst_max_hz, 1) and request.total > 0
        if fitted and not (in_range and request.total <= design.burst_max_total):
            return ReplyCode.BAD_VALUE
        if not fitted:
            return ReplyCode.NOT_FITTED
        under_way = self._capture.request.capture if self._capture else self._sending if self._pieces else None
        if under_way is not None:
            return ReplyCode.DONE if under_way == request.capture else ReplyCode.BUSY
        self._flush()
        self._capture = Capture.begin(request, design.tick_hz, self._board.tick)
        return ReplyCode.DONE

    def _clear(self, request: Clear) -> ReplyCode:
        return ReplyCode.DONE if self._guard.clear(self._board.inputs) else ReplyCode.TRIPPED


def _single(value: float) -> float:
    """The number in the single precision in which it travels, so that the device reckons with what it says."""
    return float(struct.unpack("<f", struct.pack("<f", value))[0])
