"""`depot-log:///path/to/bench.csv?hz=100`: a log of the depot's bench as a device, in a package of its own.

The log is a CSV: a line of names, then a line a scan, all in SI. `confirm` holds what the operator confirmed then.
"""

import asyncio
import csv
from collections.abc import AsyncIterator, Callable, Sequence
from pathlib import Path

import numpy as np

from drivers.block import (
    AnalogInput,
    Block,
    Capture,
    Event,
    Feature,
    Identity,
    Input,
    Link,
    LinkChange,
    LinkCounts,
    Replayed,
    Role,
    Status,
)
from drivers.device import Address, AddressError, Device, LimitEntry, NotFittedError, PortError, ProtocolError, Reply

ROLES = {
    "pressure_pa": Role.PRESSURE,
    "voltage_v": Role.SUPPLY_VOLTAGE,
    "current_a": Role.SHUNT,
    "fluid_k": Role.FLUID_TEMPERATURE,
    "flow_m3_s": Role.FLOW,
}
RESOLUTION = {"pressure_pa": 10.0, "voltage_v": 0.001, "current_a": 0.001, "fluid_k": 0.01, "flow_m3_s": 1e-9}
"""What the last digit of the log is worth: it goes into every uncertainty."""
TICK_HZ = 1_000_000
PER_BLOCK = 5

_NO_COUNTS = np.array([], dtype=np.int64)


class DepotLog:
    """See `drivers.device.Device`. The time of a log is no wall time: nobody waits for a clock."""

    simulated = True
    virtual = True
    status: Status | None = None

    def __init__(self, address: Address, rows: list[dict[str, str]], hz: int) -> None:
        self.address = address
        self.tap: Callable[[bytes], None] | None = None  # never called: there are no wire bytes
        self.counts = LinkCounts()
        self.identity = Identity(
            protocol=0,
            features=Feature(0),
            device_id=Path(address.place).stem,
            firmware="depot-log 1.0",
            inputs_fitted=Input(0),
            reset_cause=0,
            boot=0,
            tick_hz=TICK_HZ,
            sample_hz=hz,
            burst_max_hz=0,
            burst_max_total=0,
            analog=tuple(AnalogInput(ROLES[name], 0, 0, 0.0, resolution=RESOLUTION[name]) for name in ROLES),
            pulse=(),
        )
        self._rows, self._closed = rows, False

    def recording_header(self) -> dict[str, object] | None:
        return None

    async def events(self) -> AsyncIterator[Event]:
        yield LinkChange(Link.UP, f"{self.address.text} is open")
        yield self.identity
        for first in range(0, len(self._rows), PER_BLOCK):
            if self._closed:
                return
            await asyncio.sleep(0)
            rows = self._rows[first : first + PER_BLOCK]
            yield self._block(first, rows)
            for row in rows:
                if row["confirm"]:
                    yield Replayed("confirm", {"what": row["confirm"]})
        yield LinkChange(Link.DOWN, f"{self.address.text}: the log is over")

    def _block(self, first: int, rows: list[dict[str, str]]) -> Block:
        """Scans in SI are float64; an empty field is NaN, and then its channel counts as faulty."""
        values = np.array([[float(row[name] or "nan") for name in ROLES] for row in rows])
        self.counts.scans += len(rows)
        tick = first * TICK_HZ // self.identity.sample_hz
        return Block(0, tick, first, values, edges=_NO_COUNTS, last_edge=_NO_COUNTS)

    async def drive(self, *, power: bool, valve: int | None, supply_mv: int | None, lease_ms: int) -> Reply:
        raise self._not_fitted("drive")

    async def limits(self, blank_ms: int, max_on_s: int, entries: Sequence[LimitEntry]) -> Reply:
        raise self._not_fitted("limits")

    async def capture(self, role: int, rate_hz: int, total: int) -> Capture:
        raise self._not_fitted("capture")

    async def clear(self) -> Reply:
        raise self._not_fitted("clear")

    def _not_fitted(self, what: str) -> NotFittedError:
        return NotFittedError(f"{self.address.text}: {what}: a log cannot be told to do anything")

    async def close(self) -> None:
        self._closed = True


async def open_log(address: Address) -> Device:
    """Reads a whole log. `hz` is how many scans a second it holds.

    Raises:
        AddressError: an option makes no sense.
        PortError: there is no such file.
        ProtocolError: it is no log.
    """
    hz = address.options.get("hz", "100")
    if address.options.keys() - {"hz"} or not hz.isdecimal():
        raise AddressError(f"device address {address.text!r}: expected depot-log:///PATH?hz=NUMBER")
    rows = _rows(Path(address.place))
    missing = (ROLES.keys() | {"confirm"}) - (rows[0].keys() if rows else set())
    if missing:
        raise ProtocolError(
            f"log {address.place}: expected columns {', '.join(ROLES)} and confirm, found no {min(missing)}; log it too"
        )
    return DepotLog(address, rows, int(hz))


def _rows(path: Path) -> list[dict[str, str]]:
    try:
        with path.open(newline="", encoding="utf-8") as file:
            return list(csv.DictReader(file))
    except OSError as error:
        raise PortError(f"log {path}: cannot be read ({error.strerror}); check the name") from error
