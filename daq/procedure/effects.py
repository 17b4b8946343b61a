"""What a run tells its surroundings: effects as they come, and the outcome at its end."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from daq.judge.finding import Finding
from daq.judge.hints import Hint
from daq.judge.verdict import Verdict
from daq.measure.convert import Zero
from daq.measure.reading import Reading
from daq.measure.scatter import Differences
from daq.measure.waveform import Waveform
from daq.procedure.table import Do


@dataclass(frozen=True, slots=True)
class StageNow:
    """The stage and what it asks for, from `since` seconds of the run; `asked`: a person must confirm."""

    stage: str
    do: Do
    since: float
    asked: bool = False


@dataclass(frozen=True, slots=True)
class Taken:
    """A reading was taken, with the findings that it gave (none where nothing is required of it)."""

    reading: Reading
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class Alarm:
    """Somebody must act: `code` for machines, `severity` `stop` or `warn`, `text` and `do` for people."""

    code: str
    severity: str
    text: str
    do: str


@dataclass(frozen=True, slots=True)
class Noted:
    """Something worth keeping with the run: what, and when in seconds of it."""

    t: float
    what: str
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Conditions:
    """Means over the windows that were read, SI; None where nothing was read or measured."""

    voltage: float | None
    temperature: float | None
    fluid: str


@dataclass(frozen=True, slots=True)
class Outcome:
    """All that a run found. `stages` holds (name, from, to) in seconds of the run; `overshoot` is the highest 50 ms
    mean of pressure while the valve closed, `highest` the highest single sample (Pa, evidence of over-pressure).
    `scans_missing` got lost; `scans_displaced` are those that captures took the place of. `waveforms` is by stage.
    `hints` are made of the rest and judge nothing. `scatter` is how channels scattered, for later runs.
    """

    verdict: Verdict
    findings: tuple[Finding, ...]
    readings: tuple[Reading, ...]
    stages: tuple[tuple[str, float, float], ...]
    conditions: Conditions
    zero: Zero
    pump_on_s: float
    duration_s: float
    overshoot: float | None
    highest: float | None
    scans: int
    scans_missing: int
    scans_displaced: int
    waveforms: Mapping[str, Waveform] = field(default_factory=dict)
    hints: tuple[Hint, ...] = ()
    scatter: Mapping[str, Differences] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Ended:
    """The run is over."""

    outcome: Outcome


@dataclass(frozen=True, slots=True)
class CaptureWanted:
    """The run could use a fast capture now: `total` counts of the channel with `role` at `rate_hz`."""

    role: int
    rate_hz: int
    total: int


@dataclass(frozen=True, slots=True)
class Outputs:
    """What a driven stand's outputs are to be from now on: pump power, the valve from 0 (shut) to 1 (open), and the
    supply's setpoint in volts, None where it is fixed."""

    power: bool
    valve: float
    supply: float | None = None


Effect = StageNow | Taken | Alarm | Noted | CaptureWanted | Outputs | Ended
