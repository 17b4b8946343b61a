"""Where a reading's coverage factor comes from, in one sentence for people."""

from daq.measure.distributions import student_quantile
from daq.measure.uncertainty import COVERAGE, Combined, Component, Shape

NEARLY_NORMAL = 1000.0
"""More degrees of freedom make no difference that is shown."""
FEW = 10.0
"""Fewer degrees of freedom are shown with a decimal."""
CLEARLY = 0.01
"""A factor that is off by such a share comes from something else."""
MOST = 0.5
"""A component that makes up more of the variance than this dominates."""


def coverage_said(combined: Combined) -> str:
    """The factor k, the distribution that it is of, and how many looks it pays for; empty where nothing is doubtful.

    The sentence goes by the same components that U is made of: `k_once` against Student's t for the reading's degrees
    of freedom and against the normal factor.
    """
    if combined.u == 0.0:
        return ""
    looks = max((c.looks for c in combined.components if c.widen > 1.0), default=1)
    widened = looks > 1 and combined.k > (1.0 + CLEARLY) * combined.k_once
    return f"k = {combined.k:.2f}: {_distribution(combined)}{f', widened for up to {looks} looks' if widened else ''}"


def _distribution(combined: Combined) -> str:
    student = student_quantile(0.5 + COVERAGE / 2, combined.dof)
    if combined.k_once < (1.0 - CLEARLY) * student:
        return _rectangular(combined)
    if combined.dof < NEARLY_NORMAL:
        dof = f"{combined.dof:.0f}" if combined.dof >= FEW else f"{combined.dof:.1f}"
        return f"Student's t for {dof} effective degrees of freedom"
    largest = _largest(combined.components)
    named = f", {largest.source} dominates" if _share(largest, combined) > MOST else ""
    return f"the normal distribution{named}"


def _rectangular(combined: Combined) -> str:
    rectangles = [c for c in combined.components if c.shape is Shape.RECTANGULAR]
    largest = _largest(rectangles)
    if _share(largest, combined) > MOST:
        return f"the rectangular doubt {largest.source!r} dominates"
    return "rectangular doubts, whose sum has short tails"


def _largest(components: list[Component] | tuple[Component, ...]) -> Component:
    return max(components, key=lambda c: c.standard)


def _share(component: Component, combined: Combined) -> float:
    return component.standard**2 / combined.u**2
