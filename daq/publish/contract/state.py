"""Payloads that say how things stand now: retained ones, the live values and the heartbeat."""

from datetime import date
from enum import StrEnum
from typing import Annotated, Literal, Self

from pydantic import AwareDatetime, Field, PlainSerializer, model_validator

from daq.procedure.table import Do
from daq.publish.contract.base import (
    TIME_SCHEMA,
    Flag,
    Name,
    PartNumber,
    Payload,
    Quantity,
    RunId,
    Seq,
    Serial,
    Time,
    Why,
    seconds,
)
from daq.publish.contract.base import Word as Identifier

CONTRACT = "1.0"


class Presence(StrEnum):
    """Is the daemon there: `lost` is said by the broker when the connection broke."""

    ONLINE = "online"
    OFFLINE = "offline"
    LOST = "lost"


class Link(StrEnum):
    """The line to the device."""

    UP = "up"
    DOWN = "down"
    SILENT = "silent"


class Word(StrEnum):
    """The judgement on a run."""

    VOID = "void"
    PASS = "pass"
    FAIL = "fail"
    UNDECIDED = "undecided"


CODES = {Word.VOID: 0, Word.PASS: 1, Word.FAIL: 2, Word.UNDECIDED: 3}
"""Result evaluation of OPC 40001-101 (from memory): undefined, OK, not OK, not decidable."""


class Status(Payload):
    """`boot` names this start of the daemon. `waiting` records wait for the broker, the oldest since `waiting_since`;
    null where that is not known."""

    state: Presence
    since: Time
    boot: str
    software: str
    contract: str = CONTRACT
    link: Link
    sim: Flag
    waiting: Annotated[int, Field(ge=0)] | None = None
    waiting_since: Time | None = None


class Device(Payload):
    id: str
    firmware: str
    simulated: bool


class Channel(Payload):
    """`low` and `high` are the span in `unit`; `due` is when calibration ends."""

    name: Identifier
    unit: str
    reference: Literal["gauge", "absolute"] | None = None
    low: float | None = None
    high: float | None = None
    calibrated: date | None = None
    due: date | None = None


class Meta(Payload):
    site: Name
    stand: Name
    mode: Literal["followed", "driven"]
    device: Device | None
    channels: list[Channel]
    kinds: list[Identifier]


class Stage(Payload):
    """The run under way; outside of one `stage` is `idle` and run, part and serial are null. `asked`: a confirmation is
    waited for, since no signal tells that `do` is done."""

    stage: Identifier
    run: RunId | None = None
    part: PartNumber | None = None
    serial: Serial | None = None
    since: Time
    do: Do
    text: str
    asked: bool = False
    ready: bool
    blocked_by: list[Identifier]
    sim: Flag

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if (self.stage == "idle") != (self.run is None):
            raise ValueError(f"stage {self.stage} with run {self.run}: a run has a stage, and idle has none")
        if self.ready == bool(self.blocked_by):
            raise ValueError(f"ready {self.ready} with blocked_by {self.blocked_by}: expected a reason where not ready")
        return self


class Verdict(Payload):
    """The newest verdict, for a PLC: at most 256 bytes, hence the limits and whole seconds."""

    seq: Seq
    code: Literal[0, 1, 2, 3]
    word: Word
    why: Why
    part: PartNumber
    serial: Serial
    run: RunId
    time: Annotated[AwareDatetime, PlainSerializer(seconds, return_type=str, when_used="json"), TIME_SCHEMA]
    sim: Flag

    @model_validator(mode="after")
    def _code_says_word(self) -> Self:
        if self.code != CODES[self.word]:
            raise ValueError(f"code {self.code} with word {self.word}: expected code {CODES[self.word]}")
        return self


class Live(Payload):
    """The channels now; a channel without a valid value is null."""

    time: Time
    run: RunId | None
    stage: Identifier
    channels: dict[str, Quantity | None]
    sim: Flag


class Alarm(Payload):
    """Somebody must act: `stop` where testing cannot go on, or must not; `warn` otherwise. `do` says what helps."""

    code: Identifier
    severity: Literal["stop", "warn"]
    since: Time
    text: str
    do: str


class Heartbeat(Payload):
    """The daemon is alive. Three missing mean that it is not."""

    n: Annotated[int, Field(ge=0, le=65535)]
