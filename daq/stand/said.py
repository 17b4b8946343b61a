"""What a stand says to whoever listens: a terminal, the MQTT voice, a test."""

from dataclasses import dataclass

from daq.measure.convert import Zero
from daq.measure.steps import Step
from daq.procedure.effects import Alarm, Noted, StageNow, Taken
from daq.procedure.table import Do
from daq.publish import contract as c
from daq.publish.text import text_of
from daq.stand.result import About
from drivers.block import Identity, LinkChange


@dataclass(frozen=True, slots=True)
class Begun:
    """A run has begun."""

    about: About
    stages: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Stage:
    """The stage of a run and what it asks, or idle (`about` and `now` None); `blocked_by` is empty where a start is
    possible."""

    about: About | None
    now: StageNow | None
    blocked_by: tuple[str, ...]
    removing: bool = False
    driven: bool = False

    @property
    def text(self) -> str:
        """The same in words for people."""
        return text_of(self.do, self.now.stage if self.now else None, driven=self.driven)

    @property
    def do(self) -> Do:
        """What is asked now; between runs a pump that still runs comes first."""
        if self.now is not None:
            return self.now.do
        if "power_on" in self.blocked_by:
            return Do.POWER_OFF
        return Do.REMOVE if self.removing else Do.NONE


@dataclass(frozen=True, slots=True)
class Live:
    """The newest step of the channels, in a run or outside of one."""

    step: Step
    about: About | None
    stage: str


@dataclass(frozen=True, slots=True)
class Finished:
    """A run has its verdict, and the verdict is in the database."""

    data: c.ResultData


@dataclass(frozen=True, slots=True)
class Zeroed:
    """Somebody had the zero of a stand at rest taken, between runs."""

    zero: Zero


Said = Begun | Stage | Taken | Noted | Alarm | Live | Finished | Zeroed | LinkChange | Identity
