"""What a stand says, in the words of the contract, to its publisher."""

import math
import secrets
from collections.abc import Callable, Iterable, Mapping
from datetime import UTC, datetime

from daq import __version__
from daq.catalogue.stand_file import StandConfig
from daq.judge.requirement import Quantity
from daq.measure.convert import BITS, Column
from daq.measure.steps import Step
from daq.procedure.plan import Kind
from daq.publish import contract as c
from daq.publish.contract import quantity
from daq.publish.notices import Notice
from daq.publish.publisher import Publisher
from daq.stand.alarms import CLEARED_BY, Active, Board
from daq.stand.result import reference_of, shown, verdict_of
from daq.stand.said import Finished, Live, Said, Stage
from daq.stand.stand import Stand
from drivers.block import Identity, Link, LinkChange

CHANNELS = {
    Column.PRESSURE: Quantity.PRESSURE,
    Column.CURRENT: Quantity.CURRENT,
    Column.VOLTAGE: Quantity.VOLTAGE,
}


class Voice:
    """Turns what one stand says into states, alarms and live values."""

    def __init__(self, stand: Stand, simulated: bool, now: Callable[[], datetime] = lambda: datetime.now(UTC)) -> None:
        self._stand, self._now = stand, now
        self._boot = secrets.token_hex(8)
        self._began = now()
        self._sim = simulated
        self._publisher: Publisher | None = None
        self._board = Board()
        self._stage_since: tuple[tuple[str, str | None], datetime] | None = None
        self.status = self._status(Link.DOWN)

    @property
    def alarms(self) -> Mapping[str, Active]:
        """What is wrong now, by code."""
        return self._board.active

    def speak_through(self, publisher: Publisher) -> None:
        """From now on everything goes to this publisher."""
        self._publisher = publisher
        publisher.set_state("meta", c.text(meta(self._stand.config, None)))
        self._stage(self._stand.stage)
        # Nobody knows which alarms the broker still shows from before a restart: all that are not active are cleared.
        self._tell_alarms({**CLEARED_BY, **self._board.active})

    def show_verdict(self, data: c.ResultData) -> None:
        """The newest verdict, also that from before a restart."""
        self._state("verdict", verdict_of(data))

    def hear(self, said: Said | Notice) -> None:
        """Listens to the stand, and to what the publisher has trouble with."""
        self._tell_alarms(self._board.hear(said, self._now()))
        if isinstance(said, Stage):
            self._stage(said)
        elif isinstance(said, Live):
            self._live(said)
        elif isinstance(said, LinkChange):
            self._link(said)
        elif isinstance(said, Identity):
            self._device()
        elif isinstance(said, Finished):
            self.show_verdict(said.data)

    def _tell_alarms(self, codes: Iterable[str]) -> None:
        """An empty payload clears what is retained."""
        if self._publisher is not None:
            for code in codes:
                active = self._board.active.get(code)
                self._publisher.set_state(f"alarm/{code}", "" if active is None else c.text(active.payload))

    def _status(self, link: Link) -> c.Status:
        return c.Status(
            state=c.Presence.ONLINE,
            since=self._began,
            boot=self._boot,
            software=__version__,
            link=c.Link(link.name.lower()),
            sim=1 if self._sim else 0,
        )

    def _link(self, change: LinkChange) -> None:
        if change.link is Link.UP:
            self._device()
        self.status = self._status(change.link)
        if self._publisher is not None:
            self._publisher.set_status(self.status)

    def _device(self) -> None:
        """Tells of the device that is connected now, which need not be the one from before."""
        device = self._stand.device
        if device is not None:
            self._sim = device.simulated
            self._state("meta", meta(self._stand.config, self._stand.identity))

    def _stage(self, said: Stage) -> None:
        about, now = said.about, said.now
        name = now.stage if now else "idle"
        same = (name, about.run if about else None)
        if self._stage_since is None or self._stage_since[0] != same:
            self._stage_since = (same, self._now())
        stage = c.Stage(
            stage=name,
            run=about.run if about else None,
            part=about.part if about else None,
            serial=about.serial if about else None,
            since=self._stage_since[1],
            do=said.do,
            text=said.text,
            asked=bool(now and now.asked),
            ready=not said.blocked_by,
            blocked_by=list(said.blocked_by),
            sim=1 if self._sim else 0,
        )
        self._state("stage", stage)

    def _live(self, said: Live) -> None:
        if self._publisher is None or not self._publisher.connected:
            return
        live = c.Live(
            time=self._now(),
            run=said.about.run if said.about else None,
            stage=said.stage,
            channels=channels_now(said.step, self._stand.config.stand.channels.pressure.absolute_reference),
            sim=1 if self._sim else 0,
        )
        self._publisher.live(c.text(live))

    def _state(self, name: str, payload: c.Payload) -> None:
        if self._publisher is not None:
            self._publisher.set_state(name, c.text(payload))


def channels_now(step: Step, absolute: bool) -> dict[str, c.Quantity | None]:
    """The channels of a step; what is not fitted, faulty or only known within bounds is None."""
    sound = {
        column: math.nan if step.faulty & BITS[column] else getattr(step, column.name.lower()) for column in Column
    }
    told = {column.name.lower(): shown(q, sound[column], absolute) for column, q in CHANNELS.items()}
    told["flow"] = shown(Quantity.FLOW, step.flow.value)
    told["temperature"] = _scaled(sound[Column.TEMPERATURE] - 273.15, "Cel")
    if not math.isnan(step.level):
        told["level"] = _scaled(100 * sound[Column.LEVEL], "%")
    return told


def _scaled(value: float, unit: str) -> c.Quantity | None:
    return None if math.isnan(value) else quantity(value, unit)


def meta(config: StandConfig, identity: Identity | None) -> c.Meta:
    """What the stand is."""
    stand = config.stand
    device = None
    if identity is not None:
        device = c.Device(id=identity.device_id, firmware=identity.firmware, simulated=identity.simulated)
    return c.Meta(
        site=stand.site,
        stand=stand.name,
        mode="driven" if stand.driven else "followed",
        device=device,
        channels=[_channel(config, *row) for row in _spans(config)],
        kinds=[kind.value for kind in Kind],
    )


def _spans(config: StandConfig) -> list[tuple[str, str, float, float]]:
    channels = config.stand.channels
    pressure, flows = channels.pressure, channels.flow.k_table
    low, high = (hertz / k * 3.6e6 for hertz, k in (flows[0], flows[-1]))
    spans = [
        ("pressure", "kPa", pressure.low / 1e3, pressure.high / 1e3),
        ("flow", "L/h", low, high),
        ("current", "A", 0.0, channels.shunt.full_scale),
        ("voltage", "V", 0.0, channels.voltage.full_scale),
    ]
    if channels.temperature is not None:
        warm = channels.temperature
        spans.append(("temperature", "Cel", warm.low - 273.15, warm.high - 273.15))
    if channels.level is not None:
        spans.append(("level", "%", 0.0, 100.0))
    return spans


def _channel(config: StandConfig, name: str, unit: str, low: float, high: float) -> c.Channel:
    calibration = config.calibrations.get(name)
    return c.Channel(
        name=name,
        unit=unit,
        reference=reference_of(name, config.stand.channels.pressure.absolute_reference),
        low=low,
        high=high,
        calibrated=calibration.made if calibration else None,
        due=calibration.due if calibration else None,
    )
