"""Gauge repeatability and reproducibility: how much of a scatter comes from measuring, by analysis of variance.

Every operator tests every unit equally often. The method is that of the AIAG manual on measurement systems analysis
(4th edition, 2010; its text from memory, its example is among the published checks): where operators and units do not
interact visibly, the interaction counts as repeatability. Houses differ in the level at which it becomes visible, so a
study states the level and lets it be chosen.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daq.measure.distributions import fisher_above

Floats = NDArray[np.float64]

POOL_ABOVE = 0.25
"""An interaction that chance alone gives more often than so is taken for repeatability (AIAG, from memory)."""
LEVELS = (0.05, POOL_ABOVE)
"""The two in use. 0.05 is what the R package SixSigma 0.9-52 takes (`alphaLim` of `ss.rr`, seen in its documentation).
It pools more, and what operators do differently from unit to unit then counts among the repeats."""


@dataclass(frozen=True, slots=True)
class Row:
    """A line of the table of variances: sum of squares, degrees of freedom."""

    squares: float
    dof: int

    @property
    def mean(self) -> float:
        """The mean square; 0 where there is no freedom."""
        return self.squares / self.dof if self.dof else 0.0


@dataclass(frozen=True, slots=True)
class Anova:
    """Where the scatter of `[unit, operator, trial]` lies. `repeats` is what trials alike differ by."""

    units: Row
    operators: Row
    interaction: Row
    repeats: Row

    @property
    def total(self) -> Row:
        rows = (self.units, self.operators, self.interaction, self.repeats)
        return Row(sum(r.squares for r in rows), sum(r.dof for r in rows))

    @property
    def interaction_f(self) -> float:
        """How many times the interaction scatters as much as the repeats."""
        return _ratio(self.interaction.mean, self.repeats.mean)

    @property
    def interaction_p(self) -> float:
        """The probability that chance alone gives an interaction as large."""
        if not self.interaction.dof:
            return 1.0
        return fisher_above(self.interaction_f, self.interaction.dof, self.repeats.dof)


@dataclass(frozen=True, slots=True)
class Gauge:
    """Standard deviations: of repeats (equipment variation, EV), of operators with what they do differently from unit
    to unit (appraiser variation, AV), of both (GRR), of units (part variation, PV) and of all (TV).

    `distinct` is how many classes of units the gauge tells apart, ndc = 1.41 PV/GRR cut to a whole number; None where
    nothing scatters. `pooled` says that the interaction was taken for repeatability, since chance gives one as large
    more often than `pool_above`.
    """

    anova: Anova
    ev: float
    av: float
    grr: float
    pv: float
    tv: float
    distinct: int | None
    pooled: bool
    pool_above: float

    def share(self, deviation: float) -> float:
        """A standard deviation as a share of the whole; 0 where nothing scatters."""
        return deviation / self.tv if self.tv else 0.0


def analyse(values: Floats) -> Anova:
    """The table of variances of values[unit, operator, trial]: at least two units and two trials.

    Raises:
        ValueError: too few, or a value that is none.
    """
    if values.ndim != 3 or values.shape[0] < 2 or values.shape[1] < 1 or values.shape[2] < 2:
        raise ValueError(f"expected values of at least 2 units × 1 operator × 2 trials, got the shape {values.shape}")
    if not np.isfinite(values).all():
        raise ValueError("expected finite values, got some that are none")
    n, k, r = values.shape
    centred = values - values.mean()  # against cancellation
    unit, operator, cell = centred.mean(axis=(1, 2)), centred.mean(axis=(0, 2)), centred.mean(axis=2)
    mixed = cell - unit[:, None] - operator[None, :]
    within = centred - cell[:, :, None]
    return Anova(
        Row(k * r * float((unit**2).sum()), n - 1),
        Row(n * r * float((operator**2).sum()), k - 1),
        Row(r * float((mixed**2).sum()), (n - 1) * (k - 1)),
        Row(float((within**2).sum()), n * k * (r - 1)),
    )


def gauge(values: Floats, pool_above: float = POOL_ABOVE) -> Gauge:
    """The study of values[unit, operator, trial]; a component that comes out below zero is 0. The interaction is pooled
    where chance gives one as large more often than `pool_above`.

    Raises:
        ValueError: as `analyse`.
    """
    anova, (n, k, r) = analyse(values), values.shape
    pooled = anova.interaction_p > pool_above
    error, against, mixed = anova.repeats.mean, anova.interaction.mean, 0.0
    if pooled:
        both = Row(anova.interaction.squares + anova.repeats.squares, anova.interaction.dof + anova.repeats.dof)
        error = against = both.mean
    else:
        mixed = max((against - error) / r, 0.0)
    operators = max((anova.operators.mean - against) / (n * r), 0.0) if k > 1 else 0.0
    units = max((anova.units.mean - against) / (k * r), 0.0)
    grr = math.sqrt(error + operators + mixed)
    distinct = int(1.41 * math.sqrt(units) / grr) if grr else None
    return Gauge(
        anova,
        ev=math.sqrt(error),
        av=math.sqrt(operators + mixed),
        grr=grr,
        pv=math.sqrt(units),
        tv=math.sqrt(error + operators + mixed + units),
        distinct=distinct,
        pooled=pooled,
        pool_above=pool_above,
    )


def _ratio(above: float, below: float) -> float:
    if below:
        return above / below
    return math.inf if above else 0.0
