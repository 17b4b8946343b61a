"""Ways for bytes to come and go. The only module that opens ports."""

import asyncio
import errno
import os
import termios
from contextlib import suppress
from typing import Protocol

import serial

from drivers.device import AddressError, PortBusyError, PortError

READ_AT_MOST = 4096
CLOSE_WITHIN = 1.0
"""Seconds that closing may take; a driver that waits for a dead adapter to drain is left behind then."""
CONNECT_WITHIN = 5.0
"""Seconds for a TCP connection; a host that is there answers in far less."""


class Transport(Protocol):
    """A line that is open. One reader and one writer at a time."""

    async def read(self) -> bytes | None:
        """Bytes as they come, at least one; b'' once the line is gone, whatever took it away. A line with a clock of
        its own may give None: time has passed and nothing came."""
        ...

    async def write(self, data: bytes) -> None:
        """Writes all of it.

        Raises:
            PortError: the line is gone.
        """
        ...

    async def close(self) -> None:
        """Gives the line back, within a deadline; a `read` under way ends with b''."""
        ...


class SerialTransport:
    """A serial port, read without blocking on the running event loop."""

    def __init__(self, port: serial.Serial) -> None:
        self._port = port
        self._name = str(port.name)
        self._fd: int = port.fileno()
        self._loop = asyncio.get_running_loop()
        self._waiting: set[asyncio.Future[None]] = set()
        self._gone = False

    async def read(self) -> bytes:
        while not self._gone:
            try:
                data = os.read(self._fd, READ_AT_MOST)
            except BlockingIOError:
                await self._ready(writing=False)
                continue
            except OSError:  # SerialException is one
                data = b""
            self._gone = not data
            return data
        return b""

    async def write(self, data: bytes) -> None:
        while data:
            if self._gone:
                raise PortError(f"serial port {self._name}: cannot write, the port is gone; check the cable")
            try:
                data = data[os.write(self._fd, data) :]
            except BlockingIOError:
                await self._ready(writing=True)
            except OSError as error:
                self._gone = True
                raise PortError(f"serial port {self._name}: cannot write ({error}); check the cable") from error

    def retune(self, baud: int) -> None:
        """Goes on at another rate, without closing the port, which would restart many boards; drops what has come.

        Raises:
            PortError: the port is gone, or has no such rate.
        """
        try:
            self._port.baudrate = baud
            self._port.reset_input_buffer()
        except (OSError, ValueError, termios.error) as error:
            raise PortError(f"serial port {self._name}: cannot go on at {baud} baud ({error})") from error

    async def _ready(self, *, writing: bool) -> None:
        """Waits for the port in one direction; closing wakes it too."""
        loop, waiter = self._loop, self._loop.create_future()
        self._waiting.add(waiter)
        (loop.add_writer if writing else loop.add_reader)(self._fd, _wake, waiter)
        try:
            await waiter
        finally:
            self._waiting.discard(waiter)
            if self._fd >= 0:
                (loop.remove_writer if writing else loop.remove_reader)(self._fd)

    async def close(self) -> None:
        if self._fd < 0:
            return
        self._gone = True
        self._loop.remove_reader(self._fd)
        self._loop.remove_writer(self._fd)
        self._fd = -1
        for waiter in self._waiting:
            _wake(waiter)
        try:
            await asyncio.wait_for(asyncio.to_thread(self._shut), CLOSE_WITHIN)
        except TimeoutError as error:
            raise PortError(
                f"serial port {self._name}: not closed within {CLOSE_WITHIN:g} s; unplug the adapter, then try again"
            ) from error

    def _shut(self) -> None:
        # Output that nobody takes any more would hold up the close.
        with suppress(OSError, termios.error):
            self._port.reset_output_buffer()
        self._port.close()


def _wake(waiter: "asyncio.Future[None]") -> None:
    if not waiter.done():
        waiter.set_result(None)


def open_port(path: str, baud: int) -> SerialTransport:
    """Opens a serial port for ourselves alone, 8N1 without flow control. Many boards reset when that happens.

    Raises:
        PortBusyError: somebody else has it.
        PortError: it is not there, or we may not.
    """
    try:
        # Without an inter-byte timeout pyserial sets VMIN to 0, and a read of an idle port gives b'' like a dead one.
        port = serial.Serial(path, baud, timeout=0, inter_byte_timeout=0, exclusive=True)
    except (OSError, ValueError) as error:  # SerialException is an OSError
        raise _port_error(path, baud, error) from error
    return SerialTransport(port)


def _port_error(path: str, baud: int, error: Exception) -> PortError:
    number = getattr(error, "errno", None)
    where = f"serial port {path}"
    if number in {errno.EAGAIN, errno.EBUSY}:
        return PortBusyError(f"{where}: another program has it open; stop that one (find it with: fuser {path})")
    if number == errno.ENOENT:
        return PortError(f"{where}: there is no such device; check the cable, and the name with: ls /dev/serial/by-id")
    if number in {errno.EACCES, errno.EPERM}:
        return PortError(f"{where}: not allowed; add this user to the port's group (see: ls -l {path}), log in again")
    return PortError(f"{where} at {baud} baud: cannot be opened ({error}); expected a serial device")


class TcpTransport:
    """A TCP connection that carries the bytes of a serial line."""

    def __init__(self, name: str, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._name = name
        self._reader = reader
        self._writer = writer

    async def read(self) -> bytes:
        try:
            return await self._reader.read(READ_AT_MOST)
        except OSError:
            return b""

    async def write(self, data: bytes) -> None:
        try:
            self._writer.write(data)
            await self._writer.drain()
        except OSError as error:
            raise PortError(f"TCP {self._name}: cannot write ({error}); check the network") from error

    async def close(self) -> None:
        self._writer.close()
        try:
            await asyncio.wait_for(self._writer.wait_closed(), CLOSE_WITHIN)
        except OSError:
            self._writer.transport.abort()


async def connect(place: str) -> TcpTransport:
    """Connects to `host:port`, or `[address]:port`.

    Raises:
        AddressError: that is not what it says.
        PortError: nobody answers there.
    """
    host, _, number = place.rpartition(":")
    if not host or not number.isdecimal() or int(number) > 0xFFFF:
        raise AddressError(f"device address tcp://{place}: expected tcp://HOST:PORT such as tcp://127.0.0.1:5025")
    try:
        reader, writer = await asyncio.wait_for(asyncio.open_connection(host.strip("[]"), int(number)), CONNECT_WITHIN)
    except OSError as error:
        why = error.strerror or "no answer in time"
        raise PortError(f"TCP {place}: cannot connect ({why}); is the device on, and reachable?") from error
    return TcpTransport(place, reader, writer)
