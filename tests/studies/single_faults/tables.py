"""The campaign's tables."""

from collections import Counter
from collections.abc import Callable, Iterable, Sequence

from tests.studies.single_faults.cases import CHANNELS, WORDS, Result
from tests.studies.single_faults.faults import Kind
from tests.studies.single_faults.sound import Sound

INTRODUCTION = """One fault of the stand at a time, under whole runs of the core from raw blocks, beside what is true.
`python -m tests.studies.single_faults --full --write` writes this page; with `--sample` from so many of its runs, drawn
at random.

*Caught*: void, with an alarm or a reason. *Harmless*: the right verdict, and each reading that something is required of
within 1.5 U of the truth. *Reading off*: the right verdict, and a reading that is not.

What no run can find by itself, and only a check with a known unit does:

- a gain, an offset within its limit or a swap that is there from the start, or that comes before the channel has shown
  its first signal in this run (`zeroed`, `powered`; a module's flow until its first free flow): the run has nothing to
  compare with, so these have tables and a list of their own;
- a pressure gain that changes by less than the line check resolves: 2 % and the scatter of two readings of the open
  line's pressure and flow, together some 4 % with 12 kPa in the line and 12 bits, 8 % and more with 10 bits;
- a current that changes by less than 3 % between two visits or 1.5 % at once, a voltage by less than 0.5 % (bare pumps)
  or 1 % (modules) between visits, and a flow by less than 1 % between visits or 1.5 % at once;
- a temperature within the part's range, and a level that tells the wrong moment."""


UNCOMPARED = "Faults that are there from the start, or begin before the channel has shown its first signal"


def summary(results: Sequence[Result]) -> str:
    """All tables, in Markdown."""
    later = [r for r in results if not r.case.no_earlier_signal]
    begun = [r for r in results if r.case.no_earlier_signal]
    parts = []
    if later:
        parts += ["Faults that begin within a run, by channel and kind:", _by(later, _kind)]
        parts += ["The same by the moment at which they begin:", _by(later, lambda r: r.case.moment)]
        parts += ["The same by stand and unit:", _by(later, _place)]
    if begun:
        parts += [f"{UNCOMPARED}:", _by(begun, _kind), "", smallest(begun)]
    return "\n\n".join(p for p in parts if p) + "\n"


def _kind(result: Result) -> str:
    return f"{result.case.fault.channel}, {result.case.fault.kind.value}"


def _place(result: Result) -> str:
    case = result.case
    return f"{case.mode}, {case.family}, {'good' if case.good else 'bad'}"


def _by(results: Sequence[Result], key: Callable[[Result], str]) -> str:
    counted: dict[str, Counter[str]] = {}
    for r in results:
        counted.setdefault(key(r), Counter())[r.word] += 1
    rows = [[name, str(c.total()), *(str(c[w] or "") for w in WORDS)] for name, c in counted.items()]
    total = Counter(r.word for r in results)
    return table(("", "runs", *WORDS), [*rows, ["all", str(total.total()), *(str(total[w] or 0) for w in WORDS)]])


def smallest(results: Sequence[Result]) -> str:
    """Of faults without an earlier signal, by channel and kind: the smallest size from which on all are caught."""
    rows = []
    for channel in CHANNELS:
        for kind in Kind:
            mine = [r for r in results if r.case.fault.channel == channel and r.case.fault.kind is kind]
            if mine:
                rows.append([channel, kind.value, _least(mine), _largest(mine)])
    head = ("channel", "kind", "caught from this size on", "largest that gave a wrong verdict or reading")
    return "Smallest size of these that is caught:\n\n" + table(head, rows)


def _least(results: Sequence[Result]) -> str:
    """Both signs and all units together."""
    sizes = sorted({abs(r.case.fault.size) for r in results})
    missed = {abs(r.case.fault.size) for r in results if r.word not in ("caught",)}
    above = [s for s in sizes if all(m < s for m in missed)]
    if sizes == [0.0]:
        return "" if missed else "always"
    return f"{above[0]:.1%}" if above else "none tried"


def _largest(results: Sequence[Result]) -> str:
    bad = [r for r in results if r.word in ("wrong pass", "wrong fail", "reading off")]
    if not bad:
        return ""
    worst = max(bad, key=lambda r: abs(r.case.fault.size))
    return f"{worst.case.fault.size:+.1%}: {worst.word}" if worst.case.fault.size else worst.word


def no_fault(found: Sequence[Sound]) -> str:
    """Sound units without a fault, by family, and each that was not passed."""
    if not found:
        return ""
    words = ("pass", "undecided", "void", "fail")
    rows = []
    for family in sorted({s.family for s in found}):
        mine = Counter(s.word for s in found if s.family == family)
        rows.append([f"no fault, {family}", str(mine.total()), *(str(mine[w] or "") for w in words)])
    total = Counter(s.word for s in found)
    rows.append(["all", str(total.total()), *(str(total[w]) for w in words)])
    others = [f"- stand {s.number}, {s.family}: {s.word}, {s.why} ({', '.join(s.traits)})" for s in found]
    named = "\n".join(o for o, s in zip(others, found, strict=True) if s.word != "pass")
    head = "\nSound units on stands drawn at random, without a fault:\n\n"
    return head + table(("", "runs", *words), rows) + "\n\n" + named + "\n"


def table(head: Iterable[str], rows: Iterable[Iterable[str]]) -> str:
    """A table in Markdown."""
    titles = list(head)
    lines = [f"| {' | '.join(titles)} |", "|---" * len(titles) + "|"]
    return "\n".join([*lines, *(f"| {' | '.join(row)} |" for row in rows)])


def page(results: Sequence[Result], text: str) -> str:
    """The page beside the command."""
    wrong = [r for r in results if r.wrong]
    within = _named([r for r in wrong if not r.case.no_earlier_signal])
    begun = _named([r for r in wrong if r.case.no_earlier_signal])
    return (
        "# The campaign of single faults\n\n"
        f"{INTRODUCTION}\n\n{len(results)} runs.\n\n{text}\n"
        f"## Wrong verdicts by faults that begin within a run\n\n{within}\n\n"
        f"## Wrong verdicts that only a check with a known unit prevents\n\n{begun}\n"
    )


def _named(results: Sequence[Result]) -> str:
    return "\n".join(f"- {r.word}: `--case {r.case}` ({r.said})" for r in results) or "None."
