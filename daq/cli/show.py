"""A run as it goes, for a person at a terminal: stages, readings, findings, verdict."""

from collections.abc import Callable, Iterator
from typing import Any

from daq.cli.run_text import quantity_text, value_text

Record = dict[str, Any]
KIND = {"pump": "pump", "module": "module", "module_return": "module with return line"}
HINTS = 2
"""So many possible causes are shown at once; `runs show` has them all, with what speaks for and against."""
MARK = {"met": "met", "not_met": "NOT MET", "undecided": "undecided", "void": "void"}


class Show:
    """Turns the records of `daq.stand.report` into lines; `write` gets one at a time."""

    def __init__(self, write: Callable[[str], None]) -> None:
        self._write = write
        self._at, self._link_up = ("", "", False), False
        self._lines: dict[str, Callable[[Record], Iterator[str]]] = {
            "run_begun": self._begun,
            "stage": self._stage,
            "reading": _reading,
            "alarm": _alarm,
            "link": self._link,
            "notice": _notice,
            "run_finished": _finished,
        }

    def hear(self, record: Record) -> None:
        """Shows a record; what says nothing new to a person is left out."""
        for line in self._lines.get(record["event"], _nothing)(record):
            self._write(line)

    def _begun(self, r: Record) -> Iterator[str]:
        self._at = ("", "", False)
        attempt = f", attempt {r['attempt']}" if r["attempt"] > 1 else ""
        yield ""
        yield f"{r['part']} ({KIND[r['kind']]}), serial {r['serial']}{attempt}{', simulated' * r['sim']}"

    def _stage(self, r: Record) -> Iterator[str]:
        before, self._at = self._at, (r["stage"], r["do"], r["asked"])
        if r["run"] is not None and self._at != before:
            name = "" if r["stage"] == before[0] else r["stage"]
            confirm = ", and confirm when it is full" if r["do"] == "wait" else ", then confirm"
            yield f"{r['t']:7.1f} s  {name:<12} {r['text']}{confirm * r['asked']}"

    def _link(self, r: Record) -> Iterator[str]:
        was_up, self._link_up = self._link_up, r["link"] == "up"
        if not (was_up and self._link_up):
            yield f"device {r['link']}: {r['reason']}"


def _nothing(_: Record) -> Iterator[str]:
    return iter(())


def _reading(r: Record) -> Iterator[str]:
    value, expanded = value_text(r)
    width = f" ± {expanded}" if expanded else ""
    found = "".join(f"   {f['requirement']}: {MARK[f['finding']]}" for f in r["findings"])
    flags = f"   ({', '.join(r['flags'])})" if r["flags"] else ""
    yield f"{'':<23}  {r['quantity'].replace('_', ' ')} {value or 'unknown'}{width}{found}{flags}"


def _alarm(r: Record) -> Iterator[str]:
    yield f"{'':<10} {'STOP' if r['severity'] == 'stop' else 'warning'}: {r['text']}; {r['do']}"


def _notice(r: Record) -> Iterator[str]:
    yield r["text"]


def _finished(r: Record) -> Iterator[str]:
    why = f" ({r['why']})" if r["why"] else ""
    yield f"{'':<10} {r['verdict'].upper()}{why}, number {r['seq']}, the pump ran {r['pump_on_s']:.0f} s"
    for f in r["findings"]:
        limits = [
            f"{words} {quantity_text(f[key])}"
            for key, words in (("at_least", "at least"), ("at_most", "at most"))
            if f[key] is not None
        ]
        yield f"{'':<12} {MARK[f['finding']]:<10} {f['requirement']}, {f['stage']}: {', '.join(limits)}"
    for hint in r["hints"][:HINTS]:
        yield f"{'':<12} {'perhaps':<10} {hint['cause']} ({hint['basis']})"
