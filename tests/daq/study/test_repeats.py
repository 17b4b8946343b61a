"""Series from recorded runs, and what is made of them."""

import pytest

from daq.study.errors import StudyError
from daq.study.history import newest_revision, series_of
from daq.study.repeats import crossed, repeated, study
from tests.daq.study.shelf import LIMIT, in_turns, run


def test_void_runs_and_runs_under_way_count_for_nothing() -> None:
    runs = [run(1, "K1", 118.0), run(2, "K2", 120.0, verdict="void"), run(3, "K3", 119.0, verdict=None)]
    (series,) = series_of(runs)
    assert [s.run for s in series.samples] == ["run-001"]
    assert (series.at_least, series.at_most, series.unit) == (110.0, None, "L/h")


def test_a_finding_without_a_value_is_counted_as_such() -> None:
    (series,) = series_of([run(1, "K1", None), run(2, "K2", 120.0)])
    assert (len(series.samples), series.valueless) == (1, 1)


def test_a_reading_under_another_name_is_no_evidence() -> None:
    other = [{"name": "free_flow.2.flow", "value": 3.0}]
    (series,) = series_of([run(1, "K1", 118.0, readings=other)])
    assert series.samples == ()


def test_only_the_newest_revision_counts() -> None:
    runs = [run(1, "K1", 118.0, part_revision=2), run(2, "K2", 120.0), run(3, "K3", 121.0)]
    assert [r["run"] for r in newest_revision(runs)] == ["run-002", "run-003"]


def test_limits_that_changed_are_those_of_the_newest_run() -> None:
    changed = run(2, "K2", 120.0)
    changed["findings"] = [changed["findings"][0] | {"at_least": LIMIT | {"value": 115.0}}]
    (series,) = series_of([run(1, "K1", 118.0), changed])
    assert series.at_least == 115.0
    assert len(series.samples) == 2


def test_of_each_unit_the_first_run_counts_for_the_units() -> None:
    runs = [run(n, serial, value) for n, (serial, value) in enumerate([("A", 100.0), ("B", 120.0), ("A", 119.0)])]
    (line,) = study(series_of(runs))
    assert (line.units, line.mean) == (2, 110.0)


def test_runs_of_the_same_unit_are_pooled() -> None:
    """By hand: A 1, 3 and B 10, 12, 14: (2 + 8)/(1 + 2)."""
    values = [("A", 1.0), ("B", 10.0), ("A", 3.0), ("B", 12.0), ("B", 14.0), ("C", 7.0)]
    (series,) = series_of([run(n, serial, value) for n, (serial, value) in enumerate(values)])
    found = repeated(series.samples)
    assert found is not None
    assert (found.s, found.dof) == (pytest.approx((10 / 3) ** 0.5), 3)


def test_few_units_have_no_capability_and_no_chart() -> None:
    (line,) = study(series_of([run(n, f"K{n}", 118.0 + n) for n in range(9)]))
    assert (line.capability, line.chart, line.crossed, line.repeated) == (None, None, None, None)
    assert line.missing["capability"] == "needs 10 units, found 9"
    assert line.missing["repeated"] == "no unit was tested twice"


def test_ten_units_have_both() -> None:
    (line,) = study(series_of([run(n, f"K{n}", 118.0 + n % 3) for n in range(10)]))
    assert line.capability is not None
    assert line.chart is not None
    assert line.capability.cpk == pytest.approx((line.mean - 110.0) / (3 * line.s))  # type: ignore[operator]


def test_units_that_all_read_alike_have_no_capability() -> None:
    (line,) = study(series_of([run(n, f"K{n}", 118.0) for n in range(10)]))
    assert line.missing["capability"] == "all values are equal"


def test_the_run_that_lies_outside_is_named() -> None:
    runs = [run(n, f"K{n}", 140.0 if n == 20 else 118.0 + 0.1 * (n % 2)) for n in range(21)]
    (line,) = study(series_of(runs))
    assert line.outside == ("run-020",)
    (line,) = study(series_of(runs), group=7)
    assert line.chart is not None
    assert line.chart.group == 7


def test_a_group_that_leaves_too_few_points() -> None:
    (line,) = study(series_of([run(n, f"K{n}", 118.0 + n % 3) for n in range(10)]), group=6)
    assert line.missing["chart"] == "needs two groups of 6 units, found 10 units"


def test_a_crossed_study_is_found() -> None:
    (series,) = series_of(in_turns(units=6, operators=("ada", "bo", "cy"), trials=3))
    found = crossed(series.samples)
    assert found is not None
    assert (found.operators, len(found.serials), found.trials) == (("ada", "bo", "cy"), 6, 3)
    assert found.gauge.pv == pytest.approx(3.5**0.5, rel=0.01)  # of 0, 1 … 5
    assert found.gauge.av == pytest.approx(0.1, rel=0.05)
    assert found.gauge.ev == pytest.approx(0.02, rel=0.3)


def test_who_tested_too_little_is_left_out_of_it() -> None:
    runs = in_turns(units=6, operators=("ada", "bo"), trials=2)
    runs += [run(len(runs) + n, "K00", 120.0, operator="cy") for n in range(2)]
    runs += [run(len(runs), "K01", 120.0, operator="ada"), run(len(runs) + 1, "K02", 120.0)]
    (series,) = series_of(runs)
    found = crossed(series.samples)
    assert found is not None
    assert (found.operators, len(found.serials), found.trials) == (("ada", "bo"), 6, 2)


@pytest.mark.parametrize(("units", "operators", "trials"), [(4, ("ada", "bo"), 2), (6, ("ada",), 3), (6, ("", ""), 2)])
def test_no_crossed_study(units: int, operators: tuple[str, ...], trials: int) -> None:
    (series,) = series_of(in_turns(units, operators, trials))
    assert crossed(series.samples) is None


@pytest.mark.parametrize("group", [0, 101])
def test_groups_that_no_chart_has(group: int) -> None:
    with pytest.raises(StudyError, match=f"1 … 100 units, got {group}"):
        study(series_of([run(1, "K1", 118.0)]), group)


def test_nothing_to_study() -> None:
    with pytest.raises(StudyError, match="found none that counts"):
        study(series_of([run(1, "K1", None)]))
