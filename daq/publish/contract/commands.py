"""Requests from outside and the answers to them. Strict in what a field may be; fields not known are ignored."""

from enum import StrEnum
from typing import Annotated, Self

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, StringConstraints, model_validator

from daq.publish.contract.base import PartNumber, Payload, Quantity, RunId, Seq, Serial, Time, TypedNote

MAX_BYTES = 4096
"""A request is refused unread above this; the largest one that makes sense has a tenth of it."""

RequestId = Annotated[str, StringConstraints(pattern=r"^[!-~]{1,64}$")]


class What(StrEnum):
    """What an operator can confirm."""

    CONNECTED = "connected"
    IN_FLUID = "in_fluid"
    RETURN_HELD = "return_held"
    VALVE_OPEN = "valve_open"
    VALVE_SHUT = "valve_shut"
    FILLED = "filled"
    REMOVED = "removed"


class Command(BaseModel):
    """What every request has: an id of its own, and until when it may be carried out."""

    model_config = ConfigDict(frozen=True, strict=True, extra="ignore")

    request_id: RequestId
    expires_at: AwareDatetime | None = None
    valid_ms: Annotated[int, Field(ge=1, le=600_000)] | None = None

    @model_validator(mode="after")
    def _has_an_end(self) -> Self:
        if self.expires_at is None and self.valid_ms is None:
            raise ValueError("expected expires_at or valid_ms, found neither")
        return self


class Start(Command):
    """Test a unit. Without a serial the daemon assigns one."""

    part: PartNumber
    serial: Serial | None = None
    order: TypedNote | None = None
    operator: TypedNote | None = None


class Confirm(Command):
    """The operator has done what the stage asked for."""

    run: RunId
    what: Annotated[What, Field(strict=False)]


class Abort(Command):
    """End a run; it becomes void."""

    run: RunId


class Acknowledge(Command):
    """The verdict with this seq has been read."""

    seq: Seq


class Zero(Command):
    """Show the channels against the zero of the rest that is now. `valve_open`: a person has looked, and it is."""

    valve_open: bool = False


class Resend(Command):
    """Send the records again from this seq on."""

    from_seq: Seq


COMMANDS: dict[str, type[Command]] = {
    "start": Start,
    "confirm": Confirm,
    "abort": Abort,
    "acknowledge": Acknowledge,
    "zero": Zero,
    "resend": Resend,
}


class ReplyState(StrEnum):
    ACCEPTED = "accepted"
    REFUSED = "refused"
    DONE = "done"
    FAILED = "failed"


class Shift(Payload):
    """How far pressure and current stand off their calibrated zero at rest."""

    pressure: Quantity
    current: Quantity


class Reply(Payload):
    """The answer to a request; `why` says in words why not, `reasons` in words for a machine. `zero` is what a `zero`
    found, null for all others."""

    request_id: RequestId
    state: ReplyState
    why: str = ""
    run: RunId | None = None
    time: Time
    zero: Shift | None = None
    reasons: tuple[str, ...] = ()
