"""The result of a run: a CloudEvents 1.0 envelope in structured mode, and its data."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any, Literal, Self

from pydantic import ConfigDict, Field

from daq.publish.contract.base import Flag, Name, Note, PartNumber, Payload, Quantity, RunId, Serial, Time, Why
from daq.publish.contract.base import Word as Identifier
from daq.publish.contract.state import Word

TYPE: Literal["steadyhead.result.v1"] = "steadyhead.result.v1"
CONTENT_TYPE = "application/cloudevents+json; charset=utf-8"
Setting = float | int | str | bool | None


class Finding(Payload):
    """The judgement on one requirement; `reading` is the name of the reading it rests on."""

    requirement: str
    quantity: Identifier
    stage: Identifier
    at: Quantity | None = None
    after: Quantity | None = None
    at_least: Quantity | None = None
    at_most: Quantity | None = None
    mode: Literal["decide", "report"]
    guard: float
    reading: str | None
    finding: Literal["met", "not_met", "undecided", "void"]
    p_conform: float | None


class Reading(Payload):
    """A value with its uncertainty, all in `unit`: `u` standard, `U` expanded by `k` at `dof` degrees of freedom.

    `window` counts from the run's start, in seconds. `interval` stands where there is no value but bounds.
    `corrections` are what was added to the raw mean, by cause. An infinite `dof` is null. `k_from` says in one sentence
    where `k` comes from.
    """

    name: str
    quantity: Identifier
    stage: Identifier
    value: float | None
    unit: str
    reference: Literal["gauge", "absolute"] | None = None
    u: float | None
    U: float | None
    k: float | None
    dof: float | None
    n_effective: float | None
    window: tuple[float, float] | None
    interval: tuple[float, float] | None = None
    corrections: dict[str, float] = Field(default_factory=dict)
    flags: list[str] = Field(default_factory=list)
    k_from: str | None = None


class Conditions(Payload):
    voltage: Quantity | None = None
    fluid: str | None = None
    fluid_temperature: Quantity | None = None


class Hint(Payload):
    """A possible cause, the likeliest with rank 1; what speaks for it and against it; `basis` is what all of it rests
    on."""

    model_config = ConfigDict(validate_by_name=True, validate_by_alias=True)

    cause: str
    rank: int
    for_: list[str] = Field(alias="for")
    against: list[str]
    basis: str = ""


class Quality(Payload):
    """How whole the data were; null is not known. `scans_displaced` were never expected: captures of the current took
    their place. `clock_error_s` is the doubt of the device's clock against UTC, with what the
    wall clock was set by in the run."""

    scans_expected: int | None = None
    scans_received: int | None = None
    scans_displaced: int | None = None
    frames_lost: int | None = None
    frames_bad: int | None = None
    frames_repeated: int | None = None
    device_resets: int | None = None
    clock_error_s: float | None = None


class Versions(Payload):
    """What judged: `configuration` is the digest of the stand's, `calibrations` ids by channel."""

    software: str
    firmware: str | None = None
    configuration: str | None = None
    calibrations: dict[str, str] = Field(default_factory=dict)
    decision: dict[str, Setting] = Field(default_factory=dict)


class File(Payload):
    """A file beside the database; `sha256` of its bytes, hexadecimal."""

    file: str
    sha256: str
    bytes: int


class ResultData(Payload):
    """All there is to say of a finished run."""

    run: RunId
    seq: int
    site: Name
    stand: Name
    mode: Literal["followed", "driven"]
    sim: Flag
    part: PartNumber
    part_revision: int
    kind: Identifier
    serial: Serial
    serial_given: bool
    order: Note | None = None
    operator: Note | None = None
    attempt: int
    earlier_runs: list[RunId]
    started: Time
    ended: Time
    pump_on_s: float | None
    verdict: Word
    why: Why
    findings: list[Finding]
    readings: list[Reading]
    conditions: Conditions
    hints: list[Hint] = Field(default_factory=list)
    quality: Quality
    versions: Versions
    trace: File | None = None
    recording: File | None = None
    flags: list[Identifier] = Field(default_factory=list)


class Result(Payload):
    """The envelope: `id` is the run's, so that whoever upserts on it has each result once."""

    specversion: Literal["1.0"] = "1.0"
    id: RunId
    source: str
    type: Literal["steadyhead.result.v1"] = TYPE
    time: Time
    subject: Serial
    datacontenttype: Literal["application/json"] = "application/json"
    data: ResultData

    @classmethod
    def of(cls, data: ResultData) -> Self:
        """The envelope around a run's data."""
        source = f"/{data.site}/{data.stand}"
        return cls(id=data.run, source=source, time=data.ended, subject=data.serial, data=data)


def abandoned(stored: Mapping[str, Any], *, seq: int, ended: datetime, why: str) -> ResultData:
    """The void result of a run that a killed daemon left under way; `stored` is what the record knows of it."""
    known = {key: value for key, value in stored.items() if value is not None}
    empty: dict[str, Any] = {"findings": [], "readings": [], "conditions": {}, "quality": {}, "pump_on_s": None}
    end = {"seq": seq, "ended": ended, "verdict": Word.VOID, "why": why}
    return ResultData.model_validate({**empty, **known, **end})
