"""A daemon for one stand: store, stand and publisher together, from start to a clean stop."""

import asyncio
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from daq.catalogue.load import Catalogue
from daq.catalogue.stand_file import StandConfig
from daq.publish.desk import Desk
from daq.publish.mqtt import Broker
from daq.publish.notices import Notice
from daq.publish.publisher import Publisher
from daq.publish.topics import Topics
from daq.record.async_store import AsyncStore
from daq.record.errors import RecordError
from daq.record.store import Store
from daq.stand.budget import as_sent
from daq.stand.errors import StandError
from daq.stand.hold import held
from daq.stand.line import Line
from daq.stand.orders import Orders
from daq.stand.said import Said
from daq.stand.stand import Stand
from daq.stand.voice import Voice
from drivers.device import Address, Device, DriverError, open_device
from drivers.reconnect import Reconnecting

NOT_HARDWARE = ("sim", "replay")
"""Schemes of addresses whose data never come from hardware."""

ROOM_S = 10.0
"""Between two looks at the disk."""


class Daemon:
    """Owns what one stand needs. `hear` gets everything the stand says, and troubles of the rest as Notices.

    `device` is the one at work, `broker` how the broker is reached, password included; `working` is true while runs can
    be asked for and results are stored.
    """

    def __init__(self, config: StandConfig, catalogue: Catalogue, hear: Callable[[Said | Notice], None]) -> None:
        self.config = config
        self.store = AsyncStore(config.database)
        self.stand = Stand(config, catalogue, self.store)
        self.voice = Voice(self.stand, Address.parse(config.device).scheme in NOT_HARDWARE)
        self.line = Line(self.stand, self.store, must_acknowledge=config.must_acknowledge)
        self.orders = Orders(self.stand, self.line)
        self.stand.listeners += [self.voice.hear, self.line.hear, hear]
        self._hear = hear
        self._publisher: Publisher | None = None
        self.device: Device | None = None
        self.broker: Broker | None = None
        self.working = False

    async def run(self, stop: asyncio.Event, device: Device | None = None) -> None:
        """Runs until `stop` is set or the device is gone for good.

        `device` replaces the one at the configured address.

        Raises:
            HeldError: another process works this stand.
            RecordError: the database cannot be opened.
            AddressError, ProtocolError, PortError: the device cannot be opened, and trying again would not help.
        """
        async with held(self.config, self.store):
            self.device = opened = device or await self._device()
            try:
                await self._work(opened, stop)
            finally:
                self.working = False
                await opened.close()

    async def _device(self) -> Device:
        address = Address.parse(self.config.device)
        if address.scheme in NOT_HARDWARE:
            return await open_device(address.text)
        return Reconnecting(lambda: open_device(address.text), address)

    async def _work(self, device: Device, stop: asyncio.Event) -> None:
        config = self.config
        topics = Topics(config.root, config.stand.site, config.stand.name)
        desk = Desk(self.store, self.stand.key, self.orders.handle)
        outbox = self.store.outbox(self.stand.key)
        self.broker = broker_of(config)
        publisher = Publisher(self.broker, topics, self.voice.status, outbox=outbox, desk=desk, notify=self.notice)
        self._publisher = publisher
        self.voice.speak_through(publisher)
        newest = await self.store.ask(Store.newest, config.stand.site, config.stand.name)
        if newest is not None:
            self.voice.show_verdict(as_sent(newest.data))
        await self.line.begin()
        try:
            await self._together(device, publisher, stop)
        except* (DriverError, RecordError) as group:
            raise _first(group) from group

    async def _look_for_room(self) -> None:
        while True:
            await self.stand.look_for_room()
            await asyncio.sleep(ROOM_S)

    @property
    def connected(self) -> bool:
        """Whether the broker is there."""
        return self._publisher is not None and self._publisher.connected

    def hurry(self) -> None:
        """Has the broker tried at once, where it was away or has refused something."""
        if self._publisher is not None:
            self._publisher.hurry()

    def notice(self, notice: Notice) -> None:
        """Has a trouble of what is around the stand become an alarm, and heard."""
        self.voice.hear(notice)
        self._hear(notice)

    async def _together(self, device: Device, publisher: Publisher, stop: asyncio.Event) -> None:
        async with asyncio.TaskGroup() as tasks:
            publishing = tasks.create_task(publisher.run(), name="publisher")
            operating = tasks.create_task(self.stand.operate(device), name="stand")
            stopping = tasks.create_task(stop.wait(), name="stop")
            looking = tasks.create_task(self._look_for_room(), name="room")
            self.working = True
            await asyncio.wait({operating, stopping, publishing}, return_when=asyncio.FIRST_COMPLETED)
            self.stand.stop()
            stopping.cancel()
            looking.cancel()
            if not operating.done():
                operating.cancel()
                with suppress(asyncio.CancelledError):
                    await operating
            publisher.stop()


def _first(group: BaseExceptionGroup[Exception]) -> Exception:
    error: BaseException = group
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    assert isinstance(error, Exception)
    return error


def _text(path: Path | None) -> str | None:
    return None if path is None else str(path)


def broker_of(config: StandConfig) -> Broker:
    """The broker of a stand, with its password read.

    Raises:
        StandError: the password file cannot be read, or is empty.
    """
    broker = config.broker
    password = None
    if broker.password_file is not None:
        try:
            password = broker.password_file.read_text(encoding="utf-8").partition("\n")[0].strip()
            if not password:
                raise ValueError("nothing in it")
        except (OSError, ValueError) as error:  # the latter also where it is no UTF-8
            raise StandError(
                f"{config.path}: broker.password_file {broker.password_file}: expected a file whose first line is the "
                f"password, found {error}; write it, readable for the daemon only"
            ) from error
    return Broker(
        host=broker.host,
        port=broker.port,
        username=broker.username,
        password=password,
        tls=broker.tls,
        ca_file=_text(broker.ca_file),
        cert_file=_text(broker.cert_file),
        key_file=_text(broker.key_file),
        version=broker.version,
    )
