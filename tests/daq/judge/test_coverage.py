"""u, k and degrees of freedom belong together, and a sentence says where k comes from."""

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.judge.coverage import coverage_said
from daq.measure.distributions import student_dof, student_quantile
from daq.measure.uncertainty import Component, Shape, combine, look_widening

NORMAL = Component.normal("calibration", 1.0)


def student(standard: float, dof: float, looks: int = 1) -> Component:
    widen = look_widening(dof, looks)
    return Component("scatter", Shape.STUDENT, standard, dof, widen, values=20, worth=10.0, looks=looks)


@pytest.mark.parametrize(
    ("components", "said"),
    [
        ([NORMAL], "k = 1.96: the normal distribution, calibration dominates"),
        ([NORMAL, Component.normal("drift", 1.0)], "k = 1.96: the normal distribution"),
        ([student(1.0, 38.0)], "k = 2.02: Student's t for 38 effective degrees of freedom"),
        ([student(1.0, 3.4)], "k = 2.98: Student's t for 3.4 effective degrees of freedom"),
        (
            [student(1.0, 30.0, 5)],
            "k = 2.56: Student's t for 30 effective degrees of freedom, widened for up to 5 looks",
        ),
        ([Component.rectangular("tolerance", 1.0)], "k = 1.65: the rectangular doubt 'tolerance' dominates"),
        (
            [Component.rectangular("tolerance", 1.0), Component.rectangular("drift", 1.0)],
            "k = 1.90: rectangular doubts, whose sum has short tails",
        ),
        ([student(0.01, 10.0, 5), NORMAL], "k = 1.96: the normal distribution, calibration dominates"),
        ([], ""),
    ],
)
def test_where_k_comes_from(components: list[Component], said: str) -> None:
    assert coverage_said(combine(components)) == said


def test_a_small_scatter_of_few_degrees_of_freedom_is_not_hidden_behind_many() -> None:
    """A scatter that is a tenth of the variance with 1.2 degrees of freedom has k at 2.5, where Welch and Satterthwaite
    have over a hundred degrees of freedom."""
    combined = combine([student(0.316, 1.2), Component.normal("calibration", 0.949)])
    assert combined.k > 2.3
    assert combined.dof < 20.0
    assert student_quantile(0.975, combined.dof) == pytest.approx(combined.k, rel=1e-6)


shares = st.floats(0.05, 1.0)
normals = st.lists(shares.map(lambda u: Component.normal("calibration", u)), max_size=2)
rectangles = st.lists(shares.map(lambda a: Component.rectangular("drift", a)), max_size=3)
scatters = st.lists(st.builds(student, shares, st.floats(2.5, 200.0), st.integers(1, 5)), min_size=1, max_size=2)


@settings(max_examples=60, deadline=None)
@given(normals, rectangles, scatters)
def test_u_k_and_dof_belong_together(a: list[Component], b: list[Component], c: list[Component]) -> None:
    """U = k·u; without looks k never exceeds Student's t for the stated degrees of freedom by more than a percent; what
    makes it differ from that is in the sentence."""
    combined, once = combine([*a, *b, *c]), combine([replace(x, widen=1.0) for x in (*a, *b, *c)])
    student = student_quantile(0.975, combined.dof)
    assert pytest.approx(combined.k * combined.u) == combined.U
    assert combined.k_once == pytest.approx(once.k)
    assert combined.k_once <= 1.011 * student
    said = coverage_said(combined)
    assert said.startswith(f"k = {combined.k:.2f}: ")
    assert ("rectangular" in said) == (combined.k_once < 0.99 * student)
    assert ("looks" in said) == (combined.k > 1.01 * combined.k_once)


@pytest.mark.parametrize("dof", [1.0, 1.3, 2.0, 7.7, 40.0, 1000.0])
def test_degrees_of_freedom_of_a_factor(dof: float) -> None:
    assert student_dof(0.975, student_quantile(0.975, dof)) == pytest.approx(dof, rel=1e-5)


def test_no_students_t_is_shorter_than_the_normal() -> None:
    assert student_dof(0.975, 1.9) == student_dof(0.975, 1.959964) == math.inf
    assert student_dof(0.975, 50.0) == 1.0
