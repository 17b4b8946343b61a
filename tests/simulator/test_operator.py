"""The person at the bench: what each word makes them do, and when."""

from dataclasses import dataclass, field

import pytest

from simulator.design import Cue, Habits
from simulator.errors import UnknownNameError
from simulator.operator import TABLE, Operator
from simulator.words import CONFIRMATIONS, WORDS

HABITS = Habits(reaction=0.7, task=1.5, slow_travel=5.0, quick_travel=1.0, dry_run=1.3)


@dataclass
class Bench:
    """Hands that write down what they did, and when."""

    time: float = 0.0
    level: float | None = None
    powered: bool = False
    done: list[tuple[float, str]] = field(default_factory=list)

    def note(self, what: str) -> None:
        self.done.append((round(self.time, 2), what))

    def switch(self, on: bool) -> None:
        self.powered = on
        self.note("on" if on else "off")

    def aim_valve(self, travel: float, full_travel: float) -> None:
        self.note(f"valve {travel:g} in {full_travel:g} s")

    def connect(self) -> None:
        self.note("connect")

    def immerse(self) -> None:
        self.note("immerse")

    def hold_return(self) -> None:
        self.note("hold")

    def remove(self) -> None:
        self.note("remove")

    def pressurise(self) -> None:
        self.note("pump up")


def person(bench: Bench, script: list[Cue] | None = None, *, sees_level: bool = True) -> Operator:
    return Operator(bench, HABITS, script, sees_level=sees_level)


def live(bench: Bench, operator: Operator, seconds: float) -> list[str]:
    """Lets time pass; what was said meanwhile."""
    for _ in range(round(seconds * 100)):
        bench.time += 0.01
        if bench.time + 1e-9 >= operator.due:
            bench.time = max(bench.time, operator.due)
            operator.act()
    return operator.take_confirmations()


WHAT_WORDS_DO: dict[str, tuple[list[tuple[float, str]], list[str]]] = {
    "connect": ([(0.7, "valve 1 in 1 s"), (2.2, "connect")], ["connected"]),
    "dry_check": ([(0.7, "on"), (2.0, "off")], []),
    "immerse": ([(2.2, "immerse")], ["in_fluid"]),
    "hold_return": ([(2.2, "hold")], ["return_held"]),
    "power_on": ([(0.7, "on")], []),
    "power_off": ([(0.7, "off")], []),
    "open_valve": ([(0.7, "valve 1 in 1 s")], ["valve_open"]),
    "open_valve_slowly": ([(0.7, "valve 1 in 5 s")], []),
    "close_valve": ([(0.7, "valve 0 in 1 s")], ["valve_shut"]),
    "close_valve_slowly": ([(0.7, "valve 0 in 5 s")], []),
    "pressurise": ([(0.7, "valve 0 in 1 s"), (2.4, "pump up")], []),
    "wait": ([], []),
    "remove": ([(0.7, "off"), (2.2, "remove")], ["removed"]),
    "none": ([], []),
}


def test_the_table_knows_every_word() -> None:
    assert set(WHAT_WORDS_DO) == set(TABLE) == WORDS
    assert {word for _, said in WHAT_WORDS_DO.values() for word in said} | {"filled"} == CONFIRMATIONS


@pytest.mark.parametrize("word", sorted(WORDS))
def test_what_a_word_makes_a_person_do(word: str) -> None:
    bench = Bench()
    operator = person(bench)
    operator.hear(word)
    said = live(bench, operator, 10.0)
    assert (bench.done, said) == WHAT_WORDS_DO[word]


@pytest.mark.parametrize("word", sorted(WORDS))
def test_the_same_word_again_changes_nothing(word: str) -> None:
    bench = Bench()
    operator = person(bench)
    said = []
    for _ in range(20):
        operator.hear(word)
        said += live(bench, operator, 0.5)
    assert (bench.done, said) == WHAT_WORDS_DO[word]


def test_a_word_may_come_again_after_another() -> None:
    bench = Bench()
    operator = person(bench)
    for word in ("power_on", "power_off", "power_on"):
        operator.hear(word)
        live(bench, operator, 1.0)
    assert [what for _, what in bench.done] == ["on", "off", "on"]


def test_on_power_the_last_word_counts() -> None:
    bench = Bench()
    operator = person(bench)
    operator.hear("power_on")
    live(bench, operator, 0.3)
    operator.hear("power_off")
    live(bench, operator, 2.0)
    assert [what for _, what in bench.done] == ["off"]


def test_a_hand_ends_what_it_began() -> None:
    bench = Bench()
    operator = person(bench)
    operator.hear("connect")
    live(bench, operator, 1.0)
    operator.hear("wait")
    assert live(bench, operator, 5.0) == ["connected"]


def test_the_valve_is_not_called_shut_under_power() -> None:
    bench = Bench(powered=True)
    operator = person(bench)
    operator.hear("close_valve")
    assert live(bench, operator, 5.0) == []


def test_filled_is_said_by_a_person_only_where_no_sensor_says_it() -> None:
    for sees_level, expected in ((True, []), (False, ["filled"])):
        bench = Bench(level=0.3)
        operator = person(bench, sees_level=sees_level)
        operator.hear("wait")
        assert live(bench, operator, 4.0) == []
        bench.level = 1.0
        assert live(bench, operator, 4.0) == expected


def test_an_unknown_word() -> None:
    with pytest.raises(UnknownNameError, match=r"word to the operator 'dance'.*connect"):
        person(Bench()).hear("dance")


def test_a_script_counts_from_the_first_scan_and_is_deaf() -> None:
    bench = Bench()
    operator = person(bench, [Cue(1.0, do="power_on"), Cue(4.0, confirm="filled"), Cue(5.0, do="power_off")])
    live(bench, operator, 10.0)
    operator.hear("remove")
    operator.begin()
    operator.begin()
    assert live(bench, operator, 10.0) == ["filled"]
    assert bench.done == [(11.7, "on"), (15.7, "off")]


def test_another_unit_makes_words_count_anew() -> None:
    bench = Bench()
    operator = person(bench)
    operator.hear("connect")
    live(bench, operator, 5.0)
    operator.forget()
    operator.hear("connect")
    live(bench, operator, 5.0)
    assert [what for _, what in bench.done if what == "connect"] == ["connect", "connect"]
