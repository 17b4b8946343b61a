"""`stand.toml` as the daemon uses it."""

import os
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from daq.catalogue.errors import Problem
from daq.catalogue.sensor_tables import CalibrationTable
from daq.catalogue.source import Source, body_of, open_source, validate
from daq.catalogue.stand_tables import BrokerTable, StandTable, broker_at
from daq.procedure.plan import Stand


@dataclass(frozen=True, slots=True)
class Broker:
    """An MQTT broker; `tls` for mqtts, `version` is "5" or "3.1.1". `ca_file` is None for the machine's own."""

    host: str
    port: int
    tls: bool = False
    version: str = "5"
    username: str | None = None
    password_file: Path | None = None
    ca_file: Path | None = None
    cert_file: Path | None = None
    key_file: Path | None = None

    @property
    def url(self) -> str:
        return f"{'mqtts' if self.tls else 'mqtt'}://{self.host}:{self.port}"


@dataclass(frozen=True, slots=True)
class Calibration:
    """A channel's last calibration: certificate, day, day it is due again, and temperature (K)."""

    certificate: str
    made: date
    due: date
    temperature: float

    def years(self, today: date) -> float:
        """Years since the calibration, never negative (a year is 365.25 days)."""
        return max(0.0, (today - self.made).days / 365.25)


@dataclass(frozen=True, slots=True)
class StandConfig:
    """A stand and all that the daemon needs around it.

    An `example` describes no stand that there is.
    `calibrations` is by channel name (`pressure`, `current`, `voltage`, `flow`, `temperature`). `text` is the file as
    read and `digest` the SHA-256 of its bytes, in hex. `data` is absolute. With `must_acknowledge` no start is
    taken before the newest verdict was acknowledged. `keep_free` is the reserve on the disk, in bytes. With
    `must_record` a run without a recording is void.
    """

    stand: Stand
    device: str
    broker: Broker
    root: str
    data: Path
    database: str
    calibrations: dict[str, Calibration]
    revision: int
    digest: str
    text: str
    path: Path
    must_acknowledge: bool = False
    keep_free: int = 100_000_000
    example: bool = False
    must_record: bool = True

    @property
    def body(self) -> dict[str, Any]:
        """The file's tables, fit for JSON."""
        return body_of(self.text)


def read_stand(path: Path) -> tuple[StandConfig | None, list[Problem]]:
    """The stand in a file, or everything that is wrong with it."""
    source = open_source(path)
    if isinstance(source, Problem):
        return None, [source]
    table, problems = validate(StandTable, source)
    return (_build(table, source) if table else None), problems


def _build(table: StandTable, source: Source) -> StandConfig:
    data = Path(table.record.directory).expanduser().absolute()
    channels, limits, reading = table.channels(), table.limits.build(), table.reading.build()
    return StandConfig(
        stand=Stand(table.site, table.stand, channels, limits, reading, table.driving()),
        device=table.device.address,
        broker=_broker(table.broker),
        root=table.broker.root,
        data=data,
        database=table.record.database.replace("{data}", os.fspath(data)),
        calibrations=_calibrations(table),
        revision=table.revision,
        digest=source.digest,
        text=source.text,
        path=source.path,
        must_acknowledge=table.line.acknowledge,
        keep_free=round(table.record.keep_free),
        example=table.example,
        must_record=table.record.evidence == "required",
    )


def _calibrations(table: StandTable) -> dict[str, Calibration]:
    fitted = table.channel
    sensors = {
        "pressure": fitted.pressure,
        "current": fitted.current,
        "voltage": fitted.voltage,
        "flow": fitted.flow,
        "temperature": fitted.temperature,
    }
    return {name: _calibration(sensor.calibration) for name, sensor in sensors.items() if sensor is not None}


def _calibration(table: CalibrationTable) -> Calibration:
    return Calibration(table.certificate, table.date, table.due, table.temperature)


def _broker(table: BrokerTable) -> Broker:
    at = broker_at(table.url)
    assert at is not None, "the table was checked"
    scheme, host, port = at
    return Broker(
        host=host,
        port=port,
        tls=scheme == "mqtts",
        version=table.version,
        username=table.username,
        password_file=_file(table.password_file),
        ca_file=_file(table.ca_file),
        cert_file=_file(table.cert_file),
        key_file=_file(table.key_file),
    )


def _file(text: str | None) -> Path | None:
    return Path(text).expanduser() if text else None
