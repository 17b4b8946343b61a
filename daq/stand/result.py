"""From a run's outcome in SI to the result that the contract words: the only place where both are known."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

from daq.judge import finding as core
from daq.judge.causes import BASIS
from daq.judge.coverage import coverage_said
from daq.judge.hints import Hint
from daq.judge.requirement import Quantity
from daq.judge.shown import UNITS
from daq.measure.reading import Reading as CoreReading
from daq.procedure.effects import Outcome
from daq.publish import contract as c
from daq.publish.contract import clean, quantity

Reference = Literal["gauge", "absolute"] | None
"""What states a quantity's place on the curve, where it is not a pressure."""


@dataclass(frozen=True, slots=True)
class About:
    """What is known of a run apart from what it measured. `decision` are the settings that decided."""

    run: str
    site: str
    stand: str
    driven: bool
    sim: bool
    part: str
    part_revision: int
    kind: str
    serial: str
    serial_given: bool
    order: str | None
    operator: str | None
    attempt: int
    earlier_runs: tuple[str, ...]
    started: datetime
    absolute: bool
    versions: c.Versions


def tidy(value: float) -> float:
    """Without the noise that a change of unit leaves in the last digits."""
    return float(f"{value:.12g}")


def reference_of(q: str, absolute: bool) -> Reference:
    if not q.endswith("pressure"):
        return None
    return "absolute" if absolute else "gauge"


def shown(q: str, value: float | None, absolute: bool = False) -> c.Quantity | None:
    """An SI value in the unit that its quantity is told in."""
    if value is None or not math.isfinite(value):
        return None
    unit, factor = UNITS[q]
    return quantity(tidy(value * factor), unit, reference_of(q, absolute))


def name_of(r: CoreReading) -> str:
    """What a reading is called in a result: stage and quantity, and the place or time that it was read at."""
    plain = f"{r.stage}.{r.quantity}"
    if r.at is None:
        return plain
    if r.quantity == Quantity.RESIDUAL_PRESSURE:
        return f"{plain}@{r.at:g}s"
    unit, factor = UNITS[Quantity(r.place)]
    return f"{plain}@{r.at * factor:.6g}{unit}"


def reading(r: CoreReading, absolute: bool = False) -> c.Reading:
    """A reading as the contract words it."""
    unit, factor = UNITS[r.quantity]
    interval = (r.low * factor, r.high * factor) if r.is_interval and math.isfinite(r.high) else None
    known = not r.is_interval
    return c.Reading(
        name=name_of(r),
        quantity=r.quantity,
        stage=r.stage,
        value=r.value * factor if known else None,
        unit=unit,
        reference=reference_of(r.quantity, absolute),
        u=r.combined.u * factor if known else None,
        U=r.combined.U * factor if known else None,
        k=r.combined.k if known else None,
        dof=r.combined.dof if known and math.isfinite(r.combined.dof) else None,
        n_effective=r.n_effective if known else None,
        window=r.window,
        interval=interval,
        corrections={name: value * factor for name, value in r.corrections},
        flags=list(r.flags),
        k_from=(coverage_said(r.combined) or None) if known else None,
    )


def finding(f: core.Finding, absolute: bool = False) -> c.Finding:
    """A finding as the contract words it."""
    r = f.requirement
    return c.Finding(
        requirement=r.name,
        quantity=r.quantity.value,
        stage=f.stage,
        at=shown(Quantity(r.place), r.at, absolute),
        after=None if r.after is None else quantity(r.after, "s"),
        at_least=shown(r.quantity, r.at_least, absolute),
        at_most=shown(r.quantity, r.at_most, absolute),
        mode=r.mode.value,
        guard=r.guard,
        reading=name_of(f.reading) if f.reading is not None else None,
        finding=f.result.value,
        p_conform=f.p_conform,
    )


def hint(h: Hint) -> c.Hint:
    """A hint as the contract words it."""
    return c.Hint(cause=h.cause, rank=h.rank, for_=list(h.for_), against=list(h.against), basis=BASIS)


def result_data(
    about: About,
    outcome: Outcome,
    *,
    seq: int,
    ended: datetime,
    quality: c.Quality,
    files: Mapping[str, c.File | None],
    flags: Sequence[str] = (),
) -> c.ResultData:
    """All there is to say of a finished run."""
    absolute, conditions = about.absolute, outcome.conditions
    warm = conditions.temperature
    return c.ResultData(
        run=about.run,
        seq=seq,
        site=about.site,
        stand=about.stand,
        mode="driven" if about.driven else "followed",
        sim=1 if about.sim else 0,
        part=about.part,
        part_revision=about.part_revision,
        kind=about.kind,
        serial=about.serial,
        serial_given=about.serial_given,
        order=about.order,
        operator=about.operator,
        attempt=about.attempt,
        earlier_runs=list(about.earlier_runs),
        started=about.started,
        ended=ended,
        pump_on_s=tidy(outcome.pump_on_s),
        verdict=c.Word(outcome.verdict.word.value),
        why=clean(outcome.verdict.why, 24),
        findings=[finding(f, absolute) for f in outcome.findings],
        readings=[reading(r, absolute) for r in outcome.readings],
        conditions=c.Conditions(
            voltage=shown(Quantity.VOLTAGE, conditions.voltage),
            fluid=conditions.fluid or None,
            fluid_temperature=quantity(None if warm is None else warm - 273.15, "Cel"),
        ),
        hints=[hint(h) for h in outcome.hints],
        quality=quality,
        versions=about.versions,
        trace=files.get("trace"),
        recording=files.get("recording"),
        flags=list(flags),
    )


def verdict_of(data: c.ResultData) -> c.Verdict:
    """The flat verdict for a line controller."""
    code: Any = c.CODES[data.verdict]
    return c.Verdict(
        seq=data.seq,
        code=code,
        word=data.verdict,
        why=data.why,
        part=data.part,
        serial=data.serial,
        run=data.run,
        time=data.ended,
        sim=data.sim,
    )
