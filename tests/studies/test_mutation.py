"""The mutation study's parts, on small modules: which changes are made, how a trial ends, and what is counted."""

import argparse
import math
import os
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.studies.mutation.cover import Imported, Reached
from tests.studies.mutation.mutants import Module, Mutant
from tests.studies.mutation.tally import Equivalents, Tried, rows, score
from tests.studies.mutation.trial import (
    BROKEN,
    KILLED,
    SURVIVED,
    Outcome,
    forked,
    put_in_place,
    try_imported,
)

SOURCE = '''"""A module."""

from math import hypot

LIMIT = 3.0
Pair = tuple[int, str | None]


def beyond(x: float, y: float | None = None) -> float:
    """Docstrings are no behaviour."""
    if x < LIMIT:
        raise ValueError("words of an exception")
    return abs(x - 1.0) + min(x, 2.0)


class Of:
    @property
    def two(self) -> float:
        return hypot(2.0, 0.0)
'''


def mutants(tmp_path: Path, source: str = SOURCE) -> list[Mutant]:
    (tmp_path / "small.py").write_text(source)
    module = Module(tmp_path, "small.py")
    return [module.mutant(site) for site in module.sites]


def test_each_mutant_is_one_change_that_compiles(tmp_path: Path) -> None:
    made = mutants(tmp_path)
    assert len(made) > 20
    for mutant in made:
        assert mutant.source != SOURCE
        compile(mutant.source, "small.py", "exec")
        assert mutant.before != mutant.after


def test_what_is_changed(tmp_path: Path) -> None:
    after = {m.after for m in mutants(tmp_path)}
    assert {
        "LIMIT = 4.0",
        "if x <= LIMIT:",
        "return abs(x - 1.0) - min(x, 2.0)",
        "return abs(x - 1.0)",  # a term dropped
        "return (x - 1.0) + min(x, 2.0)",
        "return abs(x - 1.0) + max(x, 2.0)",
        "return hypot(3.0, 0.0)",  # below a decorator
    } <= after


def test_a_zip_stays_strict(tmp_path: Path) -> None:
    made = mutants(tmp_path, "def f(a, b):\n    return dict(zip(a, b, strict=True))\n")
    assert {m.after for m in made} >= {"return dict(zip(None, b, strict=True))"}
    assert all("strict=True" in m.after or "zip" not in m.after for m in made)


def test_what_is_no_behaviour_stays(tmp_path: Path) -> None:
    changed = " ".join(m.before for m in mutants(tmp_path))
    for kept in ("Docstrings", "words of", "Pair", "import", "property"):
        assert kept not in changed


def test_a_change_outside_of_functions_needs_an_import(tmp_path: Path) -> None:
    inside = {m.before: m.inside for m in mutants(tmp_path)}
    assert inside["LIMIT = 3.0"] is False
    assert inside["if x < LIMIT:"] is True


def test_new_code_reaches_those_who_imported_the_function(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "small.py").write_text(SOURCE)
    monkeypatch.syspath_prepend(tmp_path)
    import small  # type: ignore[import-not-found]

    try:
        beyond: Callable[[float], float] = small.beyond
        two = small.Of()
        assert (beyond(4.0), two.two) == (5.0, 2.0)
        put_in_place(small, SOURCE.replace("+ min", "- min").replace("hypot(2.0", "hypot(5.0"))
        assert (beyond(4.0), two.two) == (1.0, 5.0)
    finally:
        del sys.modules["small"]


@pytest.mark.timeout(120)
@pytest.mark.parametrize(
    ("job", "code"),
    [
        (lambda: os._exit(KILLED), KILLED),
        (lambda: os._exit(SURVIVED), SURVIVED),
        (lambda: None, BROKEN),
        (lambda: _busy(), -24),  # SIGXCPU
    ],
    ids=["killed", "survived", "broken", "endless"],
)
def test_how_a_trial_ends(job: Callable[[], None], code: int) -> None:
    assert forked(job, 0.5) == code


def _busy() -> None:
    while time.process_time() < math.inf:
        pass


class Everything(frozenset[str]):
    """All tests there are: none runs but the chosen ones."""

    def __contains__(self, _: object) -> bool:
        return True


FILE = "daq/measure/agreement.py"
TEST = "tests/daq/measure/test_agreement.py::test_a_shared_zero_does_not_count_and_scatter_counts_twice"


@pytest.mark.timeout(120)  # it collects tests in processes of their own
@pytest.mark.parametrize(
    ("before", "after", "outcome"),
    [
        ("if not c.common]", "if c.common]", Outcome.KILLED),
        ("<= self.combined.U", "< self.combined.U", Outcome.SURVIVED),
        ("from dataclasses import dataclass, replace", "from dataclasses import dataclass", Outcome.KILLED),
    ],
    ids=["noticed", "not noticed", "cannot be imported"],
)
def test_a_changed_module_is_imported_in_a_process_of_its_own(before: str, after: str, outcome: Outcome) -> None:
    root = Path(__file__).parents[2]
    source = (root / FILE).read_text().replace(before, after)
    found = try_imported([TEST], Everything(), Mutant(FILE, "", 1, frozenset(), False, before, after, source), 60.0)
    assert found is outcome


def tried(outcome: Outcome, why: str = "", file: str = "daq/judge/a.py", kind: str = "number") -> Tried:
    return Tried(Mutant(file, kind, 7, frozenset({7}), True, "a", "b", ""), outcome, why)


def test_what_cannot_be_killed_is_counted_by_itself() -> None:
    found = [
        *[tried(Outcome.KILLED)] * 7,
        tried(Outcome.TIMED_OUT),
        tried(Outcome.SURVIVED),
        tried(Outcome.NOT_REACHED),
        *[tried(Outcome.SURVIVED, "for a reason")] * 2,
        tried(Outcome.KILLED, "listed in vain"),
    ]
    share = score(found)
    assert (share.count, share.of) == (9, 11)
    (row,) = rows(found, lambda m: "judge", {"judge": 400})
    assert row[:8] == ("judge", "400", "13", "9", "1", "2", "1", "2")


def test_an_equivalent_is_known_whatever_its_line(tmp_path: Path) -> None:
    (tmp_path / "e.toml").write_text(
        '[[mutant]]\nfile = "daq/judge/a.py"\nbefore = "a"\nafter = "b"\nwhy = "because"\n'
    )
    known = Equivalents(tmp_path / "e.toml")
    assert known.why(tried(Outcome.SURVIVED).mutant) == "because"
    assert known.why(tried(Outcome.SURVIVED, file="daq/judge/b.py").mutant) == ""


def test_every_equivalent_has_a_reason_and_still_stands_in_the_code() -> None:
    root, here = Path(__file__).parents[2], Path(__file__).parent
    reasons = Equivalents(here / "mutation" / "equivalent.toml").reasons
    for (file, before, after), why in reasons.items():
        lines = " ".join(line.strip() for line in (root / file).read_text().splitlines())
        assert before in lines, f"{file}: {before!r} is gone; take it out of the list"
        assert len(why) > 20
        assert before != after


def test_the_modules_own_tests_come_first_and_then_the_quickest() -> None:
    reached = Reached(seconds={"t/test_b.py::slow": 3.0, "t/test_b.py::quick": 0.1, "t/test_a.py::own": 2.0})
    for test in reached.seconds:
        reached.lines["daq/a.py"][test] = {5} if "slow" in test else {4, 5}
    reached.lines["daq/a.py"][""] = {1}
    order = ["t/test_a.py::own", "t/test_b.py::quick", "t/test_b.py::slow"]
    assert reached.tests("daq/a.py", {5}) == reached.all_tests("daq/a.py") == order
    assert reached.tests("daq/a.py", {4}) == order[:2]
    assert reached.at_import("daq/a.py", {1, 2})
    assert not reached.at_import("daq/a.py", {4, 5})
    assert sorted(reached.all_tests("daq/table.py")) == sorted(reached.seconds)


def test_by_import_a_module_has_its_own_tests_and_those_that_import_it() -> None:
    root = Path(__file__).parents[2]
    made = Imported(root)
    found = made.tests("daq/procedure/filling.py", {1})
    assert found[0] == "tests/daq/procedure/test_filling.py"
    assert "tests/daq/procedure/test_run_good.py" in found
    assert "tests/daq/measure/test_curve.py" not in found
    by_helper = made.all_tests("daq/measure/curve_points.py")
    assert "tests/daq/measure/test_rated.py" in by_helper  # travels.py imports it
    assert not made.at_import("daq/procedure/filling.py", {1})
    assert "tests/daq/measure/test_waveform.py" in made.all_tests("daq/measure/waveform_lines.py")  # by waveform.py
    assert made.all_tests("daq/measure/nowhere.py") == []


def test_a_draw_is_the_same_for_the_same_seed() -> None:
    from tests.studies.mutation.__main__ import draw

    files = ["daq/measure/agreement.py", "daq/measure/still.py", "daq/judge/verdict.py"]
    (first, found), (again, _), (other, _) = (draw(files, 5, seed) for seed in (1, 1, 2))
    assert [m.key for m in first] == [m.key for m in again] != [m.key for m in other]
    assert [m.file.split("/")[1] for m in first] == ["measure"] * 5 + ["judge"] * 5
    assert found["measure"] > 40
    every, of = draw(files[1:2], 0, 1)
    assert len(every) == of["measure"] > 20


@pytest.mark.parametrize(("condition", "passes"), [("True", True), ("False", False)])
def test_by_import_nothing_is_tried_while_tests_fail_by_themselves(
    tmp_path: Path, condition: str, passes: bool, capfd: pytest.CaptureFixture[str]
) -> None:
    """A test that fails on unchanged code would count every mutant as killed."""
    from tests.studies.mutation.__main__ import check_unchanged

    (tmp_path / "pytest.ini").write_text("[pytest]\n")  # tests are named from here
    (tmp_path / "test_small.py").write_text(f"def test_it():\n    assert {condition}\n")
    options, name = argparse.Namespace(tests=[str(tmp_path)], longest=5.0), "test_small.py"
    if passes:
        check_unchanged({"daq/judge/a.py": (name,)}, options)
        return
    with pytest.raises(RuntimeError, match="unchanged code"):
        check_unchanged({"daq/judge/a.py": (name,)}, options)
    assert "daq/judge/a.py: fails with nothing changed" in capfd.readouterr().err
