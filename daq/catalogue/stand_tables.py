"""The tables of `stand.toml`."""

import re
from typing import Literal
from urllib.parse import SplitResult, parse_qsl, unquote, urlsplit

from pydantic import Field, ValidationInfo, field_validator

from daq.catalogue import units
from daq.catalogue.channel_tables import (
    CurrentTable,
    FlowTable,
    LevelTable,
    TemperatureTable,
    VoltageTable,
)
from daq.catalogue.drive_table import DriveTable
from daq.catalogue.fields import (
    Current,
    Data,
    Flow,
    Place,
    Pressure,
    Revision,
    Share,
    Table,
    Temperature,
    Time,
    TopicName,
    Voltage,
    refuse,
)
from daq.catalogue.pressure_table import PressureTable
from daq.catalogue.reference_tables import ReferenceTables
from daq.measure.channels import Channels, SteadyFloor
from daq.procedure.plan import Drive, Limits, Reading

DEFAULT_PORTS = {"mqtt": 1883, "mqtts": 8883}
"""Registered for MQTT without and with TLS (IANA service names and port numbers, from memory)."""


DATABASES = ("sqlite:///{data}/records.db", "postgresql+psycopg://USER@HOST/NAME")
"""The kinds of databases that there are, as they are written."""

_BROKER = re.compile(r"(mqtts?)://([A-Za-z0-9._-]+|\[[0-9A-Fa-f:.]+\])(?::([0-9]{1,5}))?/?")
_PASSWORD = re.compile(r"://[^@]*:[^@]*@")
_PORTS = range(1, 65536)


class DeviceTable(Table):
    """Where the stand's device is: `serial:///dev/…`, `tcp://host:port`, or another installed driver's address."""

    address: str

    @field_validator("address")
    @classmethod
    def _has_a_scheme(cls, address: str) -> str:
        parts = _split(address)
        if "://" not in address or parts is None:
            refuse("SCHEME://PLACE such as serial:///dev/ttyACM0", repr(address), "put the scheme in front")
        if _has_a_password(address):
            refuse("an address without a password", "a password in it", "take it out: this file goes into records")
        if parts.scheme == "tcp" and (not parts.hostname or _port(parts) not in _PORTS):
            refuse("tcp://HOST:PORT with a port from 1 to 65535", repr(address), "mend host and port")
        return address


class BrokerTable(Table):
    """The MQTT broker. A password stands in a file of its own, never here. The other files are for TLS, in PEM."""

    url: str
    root: TopicName = "steadyhead"
    version: Literal["5", "3.1.1"] = "5"
    username: str | None = None
    password_file: Place | None = None
    ca_file: Place | None = None
    cert_file: Place | None = None
    key_file: Place | None = None

    @field_validator("url")
    @classmethod
    def _is_plain(cls, text: str) -> str:
        if broker_at(text) is None:
            found = "something with a user in it, which is not repeated here" if "@" in unquote(text) else repr(text)
            do = "write scheme, host and port only; a user goes into `username`, a password into `password_file`"
            refuse("mqtt://HOST:PORT or mqtts://HOST:PORT with a port from 1 to 65535", found, do)
        return text


class RecordTable(Table):
    """Where records go. `{data}` in the database URL stands for the directory. The URL holds no password: this file
    goes into every recording and into the database itself. No run begins where it could leave less than `keep_free`
    on the disk. Where `evidence` is required, a run that cannot be recorded is void."""

    directory: Place
    database: str = "sqlite:///{data}/records.db"
    keep_free: Data = 100e6
    evidence: Literal["required", "optional"] = "required"

    @field_validator("database")
    @classmethod
    def _is_a_url(cls, database: str) -> str:
        expected = f"a database URL, {' or '.join(DATABASES)}"
        parts = _split(database)
        if _has_a_password(database) and not database.startswith("sqlite:"):
            do = "take it out, and name a file that holds it: ?passfile=/etc/steadyhead/database-password"
            refuse(expected, "a password in it", do)
        if parts is None or not database.startswith(("sqlite:///", "postgresql+psycopg://", "postgresql://")):
            refuse(expected, repr(database), "write it as a URL")
        if parts.scheme != "sqlite" and _port(parts) not in (None, *_PORTS):
            refuse("a port from 1 to 65535", repr(database), "mend the port, or leave it out")
        return database


class LineTable(Table):
    """The controller of the line that the stand stands in. With `acknowledge` it must acknowledge each verdict before
    the next start."""

    acknowledge: bool = False


class ChannelTables(Table):
    """What is fitted; a channel without a table is not there."""

    pressure: PressureTable
    current: CurrentTable
    voltage: VoltageTable
    flow: FlowTable
    temperature: TemperatureTable | None = None
    level: LevelTable | None = None


class SteadyTable(Table):
    """When a channel counts as steady: its slope over a window stays within `share` of the limit, or within a floor."""

    share: Share = Field(default=0.0075, gt=0)
    pressure: Pressure = Field(default=1e3, ge=0)
    flow: Flow = Field(default=1.4e-7, ge=0)
    current: Current = Field(default=0.05, ge=0)
    voltage: Voltage = Field(default=0.05, ge=0)


class ReadingTable(Table):
    """How a steady stage is read."""

    settle: Time = Field(default=0.8, ge=0.5)
    window: Time = Field(default=1.0, ge=1.0)
    looks: int = Field(default=5, ge=1, le=5)
    max_window: Time | None = None
    peak_window: Time = Field(default=1.0, ge=1.0, le=1.0)  # peak_of is tabulated for this length only
    current_floor: Current = Field(default=0.15, gt=0)

    @field_validator("max_window")
    @classmethod
    def _holds_a_window(cls, longest: float | None, info: ValidationInfo) -> float | None:
        shortest = info.data.get("window")
        if longest is not None and shortest is not None and longest < shortest:
            found = units.show(longest, units.TIME)
            refuse(f"at least {units.show(shortest, units.TIME)}, the `window`", found, "lengthen it, or leave it out")
        return longest

    def build(self) -> Reading:
        return Reading(
            self.settle, self.window, self.looks, self.peak_window, self.current_floor, max_window=self.max_window
        )


class LimitsTable(Table):
    """What ends a run, whatever the part."""

    pressure: Pressure = Field(gt=0)
    current: Current = Field(gt=0)
    temperature: Temperature
    stage: Time = 60.0
    ask: Time = 120.0
    fill: Time = 60.0
    no_flow: Time = 5.0

    def build(self) -> Limits:
        return Limits(self.pressure, self.current, self.temperature, self.stage, self.ask, self.fill, self.no_flow)


class StandTable(Table):
    """The whole of `stand.toml`."""

    example: bool = False
    revision: Revision
    site: TopicName
    stand: TopicName
    mode: Literal["followed", "driven"] = "followed"
    device: DeviceTable
    broker: BrokerTable
    record: RecordTable
    line: LineTable = LineTable()
    channel: ChannelTables
    reference: ReferenceTables = ReferenceTables()
    limits: LimitsTable
    drive: DriveTable | None = Field(default=None, validate_default=True)
    steady: SteadyTable = SteadyTable()
    reading: ReadingTable = Field(default=ReadingTable(), validate_default=True)

    @field_validator("limits")
    @classmethod
    def _can_be_seen(cls, limits: LimitsTable, info: ValidationInfo) -> LimitsTable:
        """A limit beyond what its sensor can show would never be passed."""
        fitted = info.data.get("channel")
        if fitted is not None and limits.pressure > fitted.pressure.high:
            top = units.show(fitted.pressure.high, units.PRESSURE)
            found = units.show(limits.pressure, units.PRESSURE)
            refuse(f"a pressure limit of at most {top}, the transducer's end", found, "lower limits.pressure")
        if fitted is not None and limits.current > fitted.current.full_scale:
            top = units.show(fitted.current.full_scale, units.CURRENT)
            found = units.show(limits.current, units.CURRENT)
            refuse(f"a current limit of at most {top}, the shunt's end", found, "lower limits.current")
        return limits

    @field_validator("drive")
    @classmethod
    def _drives(cls, drive: DriveTable | None, info: ValidationInfo) -> DriveTable | None:
        """A table that nobody reads would hide a stand that waits for a person, and a valve that closes for longer than
        a stage may take would end every run."""
        if info.data.get("mode") == "followed" and drive is not None:
            refuse(
                'mode = "driven", or no [drive]', "a [drive] table on a followed stand", "mend `mode`, or take it out"
            )
        limits, how = info.data.get("limits"), (drive or DriveTable()).build()
        if info.data.get("mode") == "driven" and limits is not None:
            needed = how.travel + limits.pressure / how.pressure_rate
            if needed > limits.stage:
                found = f"{units.show(needed, units.TIME)} for `travel` and limits.pressure at `pressure_rate`"
                do = "raise pressure_rate or limits.stage, or lower travel"
                refuse(f"a valve that shuts within {units.show(limits.stage, units.TIME)}, limits.stage", found, do)
        return drive

    @field_validator("reading")
    @classmethod
    def _fits_a_stage(cls, reading: ReadingTable, info: ValidationInfo) -> ReadingTable:
        """A window that ends after the stage's time would never be read."""
        limits, needed = info.data.get("limits"), reading.settle + reading.build().longest
        if limits is not None and needed > limits.stage:
            top = units.show(limits.stage, units.TIME)
            found = f"{units.show(needed, units.TIME)} for `settle` and the longest window"
            refuse(f"at most {top}, limits.stage", found, "lower looks, window or max_window, or raise limits.stage")
        return reading

    def driving(self) -> Drive | None:
        """How the stand drives itself, None where it follows a person."""
        return (self.drive or DriveTable()).build() if self.mode == "driven" else None

    def channels(self) -> Channels:
        fitted, steady, reference = self.channel, self.steady, self.reference
        return Channels(
            pressure=fitted.pressure.build(),
            shunt=fitted.current.build(),
            voltage=fitted.voltage.build(),
            flow=fitted.flow.build(),
            temperature=fitted.temperature.build() if fitted.temperature else None,
            level=fitted.level.build() if fitted.level else None,
            floor=SteadyFloor(steady.pressure, steady.flow, steady.current, steady.voltage),
            steady_share=steady.share,
            reference=reference.voltage.build() if reference.voltage else None,
            supply=reference.supply.build() if reference.supply else None,
            clock_tolerance=reference.clock.tolerance,
        )


def broker_at(text: str) -> tuple[str, str, int] | None:
    """Scheme, host and port of a broker's URL; None where it is none, or holds more than that."""
    found = _BROKER.fullmatch(text)
    if found is None or (found[3] and int(found[3]) not in _PORTS):
        return None
    return found[1], found[2].strip("[]"), int(found[3] or DEFAULT_PORTS[found[1]])


def _split(text: str) -> SplitResult | None:
    try:
        return urlsplit(text)
    except ValueError:  # brackets that enclose no IPv6 address
        return None


def _port(parts: SplitResult) -> int | None:
    """The port; None where none is given, and 0 where it is none."""
    try:
        return parts.port
    except ValueError:
        return 0


def _has_a_password(text: str) -> bool:
    """Behind the user's name, or as an option, in whatever spelling a library would take for one."""
    options = {name.lower() for name, _ in parse_qsl(text.partition("?")[2], keep_blank_values=True)}
    return _PASSWORD.search(text) is not None or bool(options & {"password", "sslpassword", "passwd"})
