"""Where a stand's messages lie: `{root}/v1/{site}/{stand}/…`."""

import re
from dataclasses import dataclass

_NAME = re.compile(r"[a-z0-9-]+")
_VERSION = "v1"
_REPLY = "reply"


@dataclass(frozen=True, slots=True)
class Topics:
    """The topics of one stand.

    Raises:
        ValueError: a name holds anything but a–z, 0–9 and `-`.
    """

    root: str
    site: str
    stand: str

    def __post_init__(self) -> None:
        for field in ("root", "site", "stand"):
            if not _NAME.fullmatch(value := getattr(self, field)):
                raise ValueError(
                    f"topic {field} {value!r}: expected only a to z, 0 to 9 and -; rename it in the settings"
                )

    @property
    def base(self) -> str:
        return f"{self.root}/{_VERSION}/{self.site}/{self.stand}"

    @property
    def client_id(self) -> str:
        """One connection a stand, since a connection has one will."""
        return f"{self.root}-{self.site}-{self.stand}"

    def of(self, name: str) -> str:
        """The topic of a state or record, such as `verdict`."""
        return f"{self.base}/{name}"

    @property
    def commands(self) -> str:
        """What to subscribe to for requests."""
        return self.of("cmd/+")

    def reply(self, command: str) -> str:
        return self.of(f"cmd/{command}/{_REPLY}")

    def command(self, topic: str) -> str | None:
        """The name of the command that a request on `topic` is for, None if it is no request of this stand."""
        before, name = self.of("cmd/"), topic.removeprefix(self.of("cmd/"))
        return name if topic.startswith(before) and name and "/" not in name else None

    def may_answer_on(self, topic: str) -> bool:
        """Whether somebody may have an answer sent there: a plain topic that is none of this stand's own."""
        ours = topic == self.base or topic.startswith(f"{self.base}/")
        return bool(topic) and not ours and not topic.startswith("$") and not set(topic) & set("+#\0")
