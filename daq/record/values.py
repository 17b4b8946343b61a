"""What goes into the store and comes out of it; plain values, no rows."""

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

Json = dict[str, Any]


def stand_key(site: str, stand: str) -> str:
    """The name of a stand among all sites."""
    return f"{site}/{stand}"


@dataclass(frozen=True, slots=True)
class StartedRun:
    """What is known when a run starts. `part_body` and `config` are the texts in force; `source` is the address."""

    run: str
    site: str
    stand: str
    mode: str
    sim: bool
    source: str
    part: str
    part_revision: int
    part_digest: str
    part_body: Json
    kind: str
    serial: str
    serial_given: bool
    started: datetime
    config_digest: str
    config: Json
    order: str | None = None
    operator: str | None = None
    versions: Json = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Alike:
    """Runs of one process: a part on a stand, both as in force by their digests, real ones or simulated ones."""

    site: str
    stand: str
    part: str
    part_digest: str
    config_digest: str
    sim: bool


@dataclass(frozen=True, slots=True)
class Attempt:
    """The how-manieth run of this part and serial a run is, and the ids of those before it, oldest first."""

    number: int
    earlier: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Finished:
    """A finished run: `data` as in the results contract, `messages` as (topic below the stand's, payload)."""

    data: Json
    messages: list[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class StoredRun:
    """A run as stored; `data` is what the results contract says of it (`ended` and `verdict` None while under way)."""

    run: str
    part_digest: str
    config_digest: str
    source: str
    data: Json


@dataclass(frozen=True, slots=True)
class RunLine:
    """A run in a list."""

    run: str
    seq: int | None
    site: str
    stand: str
    part: str
    part_revision: int
    serial: str
    attempt: int
    started: datetime
    ended: datetime | None
    verdict: str | None
    why: str | None
    sim: bool


@dataclass(frozen=True, slots=True)
class StoredEvent:
    """Something that happened in a run."""

    time: datetime
    kind: str
    body: Json


@dataclass(frozen=True, slots=True)
class Filter:
    """Which runs to list; None asks for nothing. The newest `limit` come first. `since` counts, `until` does not."""

    site: str | None = None
    stand: str | None = None
    part: str | None = None
    serial: str | None = None
    order: str | None = None
    verdict: str | None = None
    since: datetime | None = None
    until: datetime | None = None
    limit: int = 50


@dataclass(frozen=True, slots=True)
class Message:
    """A message that waits in the outbox; `topic` is below the stand's own."""

    id: int
    topic: str
    payload: str


@dataclass(frozen=True, slots=True)
class Claim:
    """Whether a request is new, and the stored answer if not; no answer means its outcome is not known. `same` says
    whether the request id stood for the same content before."""

    new: bool
    reply: Json | None = None
    same: bool = True


@dataclass(frozen=True, slots=True)
class Stats:
    """How much there is: runs by verdict (`under way` without one) and messages that wait."""

    runs: dict[str, int]
    unsent: int
    oldest_unsent: datetime | None
