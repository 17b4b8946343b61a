"""`steadyhead study repeats`: what the recorded runs of a part say of its units and of the measuring."""

from collections.abc import Iterator
from dataclasses import asdict
from typing import TYPE_CHECKING, Annotated, Any

import typer

from daq.cli.options import ConfigOption, JsonOption
from daq.cli.output import note, put_json, put_table
from daq.cli.runs import ALL, DatabaseOption, DataOption, SinceOption, UntilOption, filter_of, open_store

if TYPE_CHECKING:
    from daq.study.gauge import Gauge
    from daq.study.history import Data
    from daq.study.repeats import Line

HEAD = ("requirement", "stage", "units", "mean", "s", "same unit", "Cpk", "95 %", "limits of the chart", "outside")
GAUGE_HEAD = (
    "requirement",
    "stage",
    "units × operators × tests",
    "EV",
    "AV",
    "GRR",
    "PV",
    "TV",
    "GRR/TV",
    "ndc",
    "interaction",
)

FIGURES = {"capability": "Cpk", "chart": "chart", "repeated": "scatter of the same unit", "gauge": "gauge study"}


def repeats(
    part: Annotated[str, typer.Argument(metavar="PART", help="The part number.")],
    *,
    config: ConfigOption = None,
    database: DatabaseOption = None,
    data: DataOption = None,
    since: SinceOption = None,
    until: UntilOption = None,
    group: Annotated[int, typer.Option("--group", help="Units in a row that make one point of the chart.")] = 1,
    pool_above: Annotated[
        float,
        typer.Option(
            "--pool-above",
            metavar="LEVEL",
            help="Level above which a gauge study pools the interaction of operators and units: 0.25 (AIAG) or 0.05.",
        ),
    ] = 0.25,
    simulated: Annotated[bool, typer.Option("--simulated", help="Take simulated runs instead of real ones.")] = False,
    json: JsonOption = False,
) -> None:
    """Say how a part's units scatter, how capable they are, and how much of it the measuring makes.

    Cpk and chart ask for ten units, of which the first run counts. A gauge study (R&R by analysis of variance) asks for
    two named operators who each tested the same five units twice; what operators and units do together counts as
    repeatability where chance gives as much more often than --pool-above. Void runs and earlier revisions of the part
    don't count. Values are taken as independent and normal.
    """
    from daq.study.history import series_of
    from daq.study.repeats import study

    runs = _runs(part, config, (database, data), since, until, simulated=simulated)
    lines = study(series_of(runs), group, pool_above)
    if json:
        put_json({"part": part, "part_revision": runs[-1]["part_revision"], "requirements": [_plain(x) for x in lines]})
        return
    put_table(HEAD, [_row(line) for line in lines])
    if any(line.crossed for line in lines):
        put_table(GAUGE_HEAD, [_gauge_row(line) for line in lines if line.crossed])
    for text in _missing(lines):
        note(text)


def _missing(lines: "list[Line]") -> Iterator[str]:
    """What is not told, and why; once for all requirements that share the reason."""
    reasons: dict[str, list[str]] = {}
    for line in lines:
        for figure, why in line.missing.items():
            reasons.setdefault(f"no {FIGURES[figure]}: {why}", []).append(
                f"{line.series.requirement} ({line.series.stage})"
            )
    for reason, named in reasons.items():
        yield reason if len(named) == len(lines) else f"{', '.join(named)}: {reason}"


def _runs(part: str, config: Any, where: Any, since: Any, until: Any, *, simulated: bool) -> "list[Data]":
    """The finished runs that count, oldest first.

    Raises:
        StudyError: there is none.
    """
    from daq.study.errors import StudyError
    from daq.study.history import newest_revision

    wanted = filter_of(part=part, serial=None, verdict=None, since=since, until=until, limit=ALL)
    with open_store(config, *where) as store:
        listed = [line for line in store.runs(wanted) if line.ended is not None]
        runs: list[Data] = [store.run(line.run).data for line in reversed(listed) if line.sim is simulated]
    if not runs:
        other = f"; {len(listed)} {'real' if simulated else 'simulated'} ones are there" if listed else ""
        kind, turn = ("simulated", "leave out --simulated") if simulated else ("real", "add --simulated")
        raise StudyError(
            f"part {part!r}: expected finished {kind} runs, found none{other}; test units of it first"
            + (f", or {turn}" if listed else "")
        )
    newest = newest_revision(runs)
    note(f"{len(newest)} runs of revision {newest[-1]['part_revision']}, {len(runs) - len(newest)} of earlier ones")
    return newest


def _row(line: "Line") -> tuple[object, ...]:
    able, drawn, again, unit = line.capability, line.chart, line.repeated, line.series.unit
    return (
        *(line.series.requirement, line.series.stage, line.units, _told(line.mean, unit), _told(line.s, unit)),
        again and f"{_told(again.s, unit)} ({again.dof} dof)",
        able and f"{able.cpk:.2f}",
        able and f"{able.low:.2f} … {able.high:.2f}",
        drawn and f"{_told(drawn.low)} … {_told(drawn.high, unit)}",
        drawn and len(drawn.outside),
    )


def _gauge_row(line: "Line") -> tuple[object, ...]:
    assert line.crossed is not None
    crossed, found, unit = line.crossed, line.crossed.gauge, line.series.unit
    deviations = (found.ev, found.av, found.grr, found.pv, found.tv)
    return (
        *(line.series.requirement, line.series.stage),
        f"{len(crossed.serials)} × {len(crossed.operators)} × {crossed.trials}",
        *(_told(deviation, unit) for deviation in deviations),
        *(f"{found.share(found.grr):.1%}", found.distinct, _interaction(found)),
    )


def _interaction(found: "Gauge") -> str:
    """How often chance gives an interaction as large, and what became of it at which level."""
    became, against = ("pooled", ">") if found.pooled else ("kept", "≤")
    return f"{became}, p {found.anova.interaction_p:.3f} {against} {found.pool_above:g}"


def _told(value: float | None, unit: str = "") -> str | None:
    return None if value is None else f"{value:.4g} {unit}".rstrip()


def _plain(line: "Line") -> dict[str, Any]:
    """A line as JSON; what is infinite is null."""
    about = asdict(line.series)
    samples = about.pop("samples")
    plain = about | {"runs": len(samples), "units": line.units, "mean": line.mean, "s": line.s}
    for name in ("repeated", "capability", "chart"):
        value = getattr(line, name)
        plain[name] = None if value is None else asdict(value)
    return plain | {"outside": line.outside, "gauge": _plain_gauge(line), "missing": line.missing}


def _plain_gauge(line: "Line") -> dict[str, Any] | None:
    import math

    if line.crossed is None:
        return None
    found = line.crossed.gauge
    f = found.anova.interaction_f
    return {
        "operators": line.crossed.operators,
        "serials": line.crossed.serials,
        "trials": line.crossed.trials,
        **{name: getattr(found, name) for name in ("ev", "av", "grr", "pv", "tv", "distinct", "pooled", "pool_above")},
        "interaction_f": f if math.isfinite(f) else None,
        "interaction_p": found.anova.interaction_p,
    }
