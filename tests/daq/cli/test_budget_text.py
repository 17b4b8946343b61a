"""A budget as an auditor reads it."""

from daq.cli.budget_text import BUDGET_HEAD, budget_rows, budgets, conclusion
from daq.measure.reading import Reading
from daq.publish.contract import plain
from daq.stand import result
from daq.stand.budget import budget_of
from tests.daq.stand.test_budget import PARTS, combine


def reading() -> dict[str, object]:
    core = Reading("pressure", "shutoff", 5e5, 5e5, 5e5, combine(PARTS), 20, 11.0, (0.0, 1.0), (("hose", -200.0),))
    return plain(result.reading(core)) | {"budget": budget_of(core)}


def test_rows_say_where_each_part_comes_from() -> None:
    calibration, volts, drift, scatter = budget_rows(reading())
    assert len(calibration) == len(BUDGET_HEAD)
    assert calibration == ("calibration", "2.5 kPa", "normal", "2", "1", "1.25", "67.4 %", "∞")
    assert volts[:5] == ("voltage at the terminals", "0.0136 V", "normal", "1", "60 kPa/V")
    assert drift[1:6] == ("1 kPa", "rectangular", "√3", "0.5", "0.289")
    assert (scatter[2], scatter[-1]) == ("t", "7.5")


def test_the_conclusion_adds_them_up() -> None:
    text = conclusion(reading())
    assert text.startswith(
        "500.0 kPa ± 3.0 (95 %): combined u 1.52 kPa, over 1000 degrees of freedom; k = 1.96: the normal "
    )
    assert "widened for repeated looks: scatter × 1.40" in text
    assert "scatter of 20 values worth 11.0 independent ones (autocorrelation 0.29)" in text
    assert text.endswith("corrected for hose: -0.2 kPa")


def test_a_scatter_says_what_it_was_pooled_with() -> None:
    told = reading()
    told["budget"][-1] |= {"known_dof": 84.3, "runs": 12}  # type: ignore[index, operator]
    assert "(autocorrelation 0.29), pooled with 84 degrees of freedom from 12 earlier runs" in conclusion(told)
    told["budget"][-1] |= {"runs": 0}  # type: ignore[index, operator]
    assert "(autocorrelation 0.29), pooled with 84 degrees of freedom;" in conclusion(told)


def test_what_an_older_version_stored_still_has_its_factor() -> None:
    assert "degrees of freedom; k = 1.96" in conclusion(reading() | {"k_from": None})


def test_in_a_pipe_each_row_names_its_reading() -> None:
    assert {row[0] for row in budget_rows(reading(), named=True)} == {"shutoff.pressure"}


def test_what_has_no_budget_is_left_out() -> None:
    assert budgets({"readings": [reading(), reading() | {"budget": []}, {"name": "stored before"}]}) == [reading()]
