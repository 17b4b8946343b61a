"""From recorded runs to series: what was read for each requirement of a part, run by run in order of time."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

Data = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Sample:
    """A value that a run gave. `operator` is empty where nobody was named."""

    run: str
    started: str
    serial: str
    operator: str
    value: float


@dataclass(frozen=True, slots=True)
class Series:
    """All values on one requirement in one stage, oldest first, with limits in the same unit.

    `valueless` counts runs whose finding there rests on no single value: void, or an interval.
    """

    requirement: str
    stage: str
    quantity: str
    unit: str
    at_least: float | None
    at_most: float | None
    samples: tuple[Sample, ...]
    valueless: int

    @property
    def first_of_each_unit(self) -> tuple[Sample, ...]:
        """One value a unit, the first: later ones may have been tested because it failed."""
        first: dict[str, Sample] = {}
        for sample in self.samples:
            first.setdefault(sample.serial, sample)
        return tuple(first.values())


def newest_revision(runs: Sequence[Data]) -> list[Data]:
    """The runs judged by the newest revision of their part, of which there is at least one."""
    newest = max(run["part_revision"] for run in runs)
    return [run for run in runs if run["part_revision"] == newest]


def series_of(runs: Sequence[Data]) -> list[Series]:
    """The series of runs of one part, oldest first, in the order in which the newest run names its requirements.

    A run that is under way or void counts for nothing. Where limits changed under one revision, those of the newest
    run count.
    """
    counting = [run for run in runs if run["verdict"] not in (None, "void")]
    named: dict[tuple[str, str], Data] = {}
    for run in reversed(counting):
        for finding in run["findings"]:
            named.setdefault((finding["requirement"], finding["stage"]), finding)
    return [_series(finding, counting) for finding in named.values()]


def _series(newest: Data, runs: Sequence[Data]) -> Series:
    samples, valueless = [], 0
    for run in runs:
        for finding in run["findings"]:
            if (finding["requirement"], finding["stage"]) != (newest["requirement"], newest["stage"]):
                continue
            value = _value(run, finding)
            if value is None:
                valueless += 1
            else:
                operator = run["operator"] or ""
                samples.append(Sample(run["run"], run["started"], run["serial"], operator, value))
    low, high = newest["at_least"], newest["at_most"]
    return Series(
        newest["requirement"],
        newest["stage"],
        newest["quantity"],
        (low or high or {"unit": ""})["unit"],
        low and low["value"],
        high and high["value"],
        tuple(samples),
        valueless,
    )


def _value(run: Data, finding: Data) -> float | None:
    found = (r["value"] for r in run["readings"] if r["name"] == finding["reading"])
    return next(found, None)
