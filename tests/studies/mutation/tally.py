"""What became of the mutants, counted by package and by kind of change."""

import tomllib
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from daq.study.blind_tally import Share
from tests.studies.mutation.mutants import Mutant
from tests.studies.mutation.trial import Outcome

HEAD = (
    "",
    "mutants",
    "tried",
    "killed",
    "of them by time",
    "survived",
    "of them not reached",
    "equivalent",
    "score",
    "95 %",
)
GOAL = 0.9


@dataclass(frozen=True, slots=True)
class Tried:
    """A mutant and what became of it; `why` says why no test can kill it, empty where one should."""

    mutant: Mutant
    outcome: Outcome
    why: str = ""

    @property
    def killed(self) -> bool:
        return self.outcome in (Outcome.KILLED, Outcome.TIMED_OUT)

    @property
    def alive(self) -> bool:
        return not self.killed and not self.why

    def __str__(self) -> str:
        m = self.mutant
        return f"{m.file}:{m.line} [{m.kind}] {self.outcome}\n  - {m.before}\n  + {m.after}"


class Equivalents:
    """The mutants that no test can kill, with reasons: `equivalent.toml`."""

    def __init__(self, path: Path) -> None:
        entries = tomllib.loads(path.read_text()).get("mutant", [])
        self.reasons = {(e["file"], e["before"], e["after"]): e["why"] for e in entries}

    def why(self, mutant: Mutant) -> str:
        return self.reasons.get(mutant.key, "")


def score(tried: Iterable[Tried]) -> Share:
    """Killed of those that can be, with its interval."""
    able = [t for t in tried if t.killed or not t.why]
    return Share(sum(t.killed for t in able), len(able))


def rows(tried: Sequence[Tried], by: Callable[[Mutant], str], found: Counter[str]) -> list[tuple[str, ...]]:
    """A row for each group `by` names, of `found` mutants in all."""
    groups = sorted({by(t.mutant) for t in tried})
    return [_row(group, [t for t in tried if by(t.mutant) == group], found[group]) for group in groups]


def _row(name: str, tried: Sequence[Tried], found: int) -> tuple[str, ...]:
    of = Counter(t.outcome for t in tried)
    share = score(tried)
    low, high = (f"{100 * bound:.1f}" for bound in share.bounds)
    value = "–" if share.value is None else f"{100 * share.value:.1f} %"
    return (
        name,
        str(found),
        str(len(tried)),
        str(sum(t.killed for t in tried)),
        str(of[Outcome.TIMED_OUT]),
        str(sum(t.alive for t in tried)),
        str(sum(t.alive and t.outcome is Outcome.NOT_REACHED for t in tried)),
        str(sum(not t.killed and bool(t.why) for t in tried)),
        value,
        f"{low} to {high}",
    )
