"""Uncertainty of a reading: its components, and the distribution that they make together.

Terms and first-order figures are those of JCGM 100:2008; the coverage interval is that of the components'
distributions convolved (JCGM 101:2008), found on a grid instead of by random draws, so that equal input gives equal
output. All figures are in the unit of the reading.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from daq.measure.channels import Distribution, Doubt, Per
from daq.measure.convolution import convolve
from daq.measure.distributions import normal_quantile, student_dof, student_quantile
from daq.measure.scatter import WHITE, Known, Noise, scatter_of

ROOT_3 = math.sqrt(3.0)
RESOLUTION = "resolution"
COVERAGE = 0.95
_UPPER = 0.5 + COVERAGE / 2
_OVERALL = {1: 0.05, 2: 0.0294, 3: 0.0221, 4: 0.0182, 5: 0.0158}
"""By the number of looks, how often each of them may miss so that together they miss in 5 % of all cases: Pocock's
boundary (1977, from memory; a test works it out anew)."""
LOOKS_AT_A_TARGET = 3
"""What a measurement pays that ends once U reaches a target, however often it looks: its end hangs on the scatter and
not on where the mean lies, see tests/studies/looks.py. To pay nothing would leave 91 %."""

LONG_TAILS = 1.01
"""A factor so many times Student's t for Welch and Satterthwaite's degrees of freedom is another distribution's."""

_NOTHING = 1e-12
"""Scatter whose variance is so small a share of what the converter's step hides is that of rounding."""


class Shape(StrEnum):
    """The distribution that a component enters with. STUDENT is a mean of few values, scaled by its standard error."""

    NORMAL = "normal"
    RECTANGULAR = "rectangular"
    STUDENT = "student"


@dataclass(frozen=True, slots=True)
class Component:
    """One contribution to a reading's uncertainty.

    `standard` is the standard uncertainty in the reading's unit; `dof` its degrees of freedom, at least 1. `widen`
    multiplies the scale that the component has in the coverage interval, not its standard uncertainty: for a type A
    part looked at repeatedly. How it came about, for whoever follows the budget: `stated` ÷ `divisor` × `sensitivity`,
    where `about` names the quantity that the doubt was stated of, if it is not the reading's own. A scatter says of how
    many `values` it is, how many independent ones they are `worth`, how many `looks` might have ended it, and what it
    was `pooled` with; 0 `values` where it is none.
    `common` doubts err the same way in all readings of a channel in a run, as a calibration does.
    """

    source: str
    shape: Shape
    standard: float
    dof: float = math.inf
    widen: float = 1.0
    divisor: float = 1.0
    sensitivity: float = 1.0
    common: bool = False
    about: str = ""
    values: int = 0
    worth: float = 0.0
    looks: int = 1
    pooled: tuple[Known, ...] = ()

    @classmethod
    def rectangular(
        cls, source: str, half_width: float, sensitivity: float = 1.0, *, common: bool = False, about: str = ""
    ) -> "Component":
        """A doubt within ± `half_width` of what it is about (JCGM 100:2008, 4.3.7)."""
        standard = abs(half_width * sensitivity) / ROOT_3
        return cls(
            source, Shape.RECTANGULAR, standard, divisor=ROOT_3, sensitivity=sensitivity, common=common, about=about
        )

    @classmethod
    def normal(
        cls,
        source: str,
        expanded: float,
        k: float = 1.0,
        sensitivity: float = 1.0,
        *,
        common: bool = False,
        about: str = "",
    ) -> "Component":
        """A doubt stated as an expanded uncertainty with its factor `k` (JCGM 100:2008, 4.3.3)."""
        standard = abs(expanded * sensitivity) / k
        return cls(source, Shape.NORMAL, standard, divisor=k, sensitivity=sensitivity, common=common, about=about)

    @property
    def stated(self) -> float:
        """The doubt as it was stated, in the unit of what it is about; what was not passed on is 0."""
        return self.standard * self.divisor / abs(self.sensitivity) if self.sensitivity else 0.0

    @property
    def signed(self) -> float:
        """The standard uncertainty with the sign of the sensitivity: which way the reading errs with the doubt."""
        return self.standard if self.sensitivity >= 0.0 else -self.standard

    def scaled(self, by: float, of: str = "") -> "Component":
        """The same doubt where it counts `by` times in another quantity; `of` names where it came from."""
        return replace(
            self,
            source=f"{of}: {self.source}" if of else self.source,
            standard=self.standard * abs(by),
            sensitivity=self.sensitivity * by,
            about=self.about or of,
        )

    def __post_init__(self) -> None:
        if not (math.isfinite(self.standard) and self.standard >= 0.0 and self.dof >= 1.0 and self.widen >= 1.0):
            raise ValueError(
                f"component {self.source!r}: expected a finite standard ≥ 0, dof ≥ 1 and widen ≥ 1, "
                f"got standard {self.standard}, dof {self.dof}, widen {self.widen}"
            )

    @property
    def scale(self) -> float:
        """The standard deviation of the shape in the coverage interval (for STUDENT the factor of t)."""
        return self.standard * self.widen


@dataclass(frozen=True, slots=True)
class Mean:
    """A mean of `n` values that are worth `n_effective` independent ones.

    `standard` is the mean's standard uncertainty (type A), `dof` its degrees of freedom, `phi` the lag-1
    autocorrelation that would make them worth so many, `widen` the factor for repeated `looks`, `pooled` what was known
    of their scatter before.
    """

    value: float
    standard: float
    n: int
    n_effective: float
    dof: float
    phi: float
    widen: float = 1.0
    looks: int = 1
    pooled: tuple[Known, ...] = ()

    def component(self, source: str = "scatter") -> Component:
        """The mean's scatter as a part of an uncertainty."""
        return Component(
            source,
            Shape.STUDENT,
            self.standard,
            self.dof,
            self.widen,
            values=self.n,
            worth=self.n_effective,
            looks=self.looks,
            pooled=self.pooled,
        )


@dataclass(frozen=True, slots=True, eq=False)
class Combined:
    """Components taken together.

    `u` is the combined standard uncertainty, `U` half the 95 % coverage interval, which is symmetric about the reading,
    and `k` = U/u (the normal factor where u is 0), `k_once` what it would be without repeated looks. `dof` are the
    effective degrees of freedom that belong to `k_once`, and may be infinite: those of Welch and Satterthwaite, or
    those whose Student's t has `k_once`, where a component's few degrees of freedom give the sum longer tails.
    """

    components: tuple[Component, ...]
    u: float
    dof: float
    U: float
    k: float
    k_once: float
    _offsets: NDArray[np.float64] = field(repr=False)
    _below: NDArray[np.float64] = field(repr=False)

    @property
    def floor(self) -> float:
        """What U would be without any scatter: no longer window comes below it."""
        return combine([c for c in self.components if c.shape is not Shape.STUDENT]).U

    @property
    def scattering(self) -> float:
        """Half the 95 % interval of the scatter alone, not widened for looks."""
        return combine([replace(c, widen=1.0) for c in self.components if c.shape is Shape.STUDENT]).U

    def p_below(self, d: float) -> float:
        """The probability that the measurand lies below reading + `d`."""
        if self._offsets.size == 0:
            return 0.5 if d == 0 else float(d > 0)
        return float(np.interp(d, self._offsets, self._below))


def combine(components: Sequence[Component]) -> Combined:
    """The combined uncertainty of independent components; none at all, or only zeros, gives U = 0."""
    kept = tuple(components)
    u = math.sqrt(sum(c.standard**2 for c in kept))
    if u == 0.0:
        nothing: NDArray[np.float64] = np.empty(0)
        normal = normal_quantile(_UPPER)
        return Combined(kept, 0.0, math.inf, 0.0, normal, normal, nothing, nothing)
    offsets, below = _convolved(kept)
    half = float(np.interp(_UPPER, below, offsets))
    k_once = combine([replace(c, widen=1.0) for c in kept]).k if any(c.widen > 1.0 for c in kept) else half / u
    return Combined(kept, u, _belonging(kept, k_once), half, half / u, k_once, offsets, below)


def _convolved(kept: Sequence[Component]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    return convolve(
        [c.scale for c in kept if c.shape is Shape.NORMAL],
        [c.scale for c in kept if c.shape is Shape.RECTANGULAR],
        [(c.scale, c.dof) for c in kept if c.shape is Shape.STUDENT],
    )


def _belonging(kept: Sequence[Component], k_once: float) -> float:
    dof = effective_dof(kept)
    return dof if k_once <= LONG_TAILS * student_quantile(_UPPER, dof) else student_dof(_UPPER, k_once)


def effective_dof(components: Sequence[Component]) -> float:
    """Welch–Satterthwaite effective degrees of freedom (JCGM 100:2008, G.4.1)."""
    variance = sum(c.standard**2 for c in components)
    doubtful = sum(c.standard**4 / c.dof for c in components)
    return variance**2 / doubtful if doubtful > 0.0 else math.inf


def evaluate(doubts: Sequence[Doubt], reading: float, years: float, kelvins: float) -> tuple[Component, ...]:
    """A channel's type B doubts at a reading (JCGM 100:2008, 4.3), `years` after calibration, `kelvins` above 20 °C."""
    return tuple(_evaluated(doubt, abs(reading), _times(doubt, years, kelvins)) for doubt in doubts)


def resolution(lsb: float) -> Component:
    """What a converter's step of `lsb` hides: rectangular over one step (JCGM 100:2008, F.2.2.1)."""
    return Component.rectangular(RESOLUTION, 0.5 * lsb)


def look_widening(dof: float, looks: int) -> float:
    """How much wider the type A part must be where any of up to `looks` looks, at most five, may end the measurement (1
    for a single look): t at each look's own level in the place of t(0.975). Longer windows hold the shorter ones, which
    costs less than independent ones would.

    Raises:
        KeyError: more than five.
    """
    if looks <= 1:
        return 1.0
    return student_quantile(1.0 - 0.5 * _OVERALL[looks], dof) / student_quantile(0.975, dof)


def mean_of(
    values: NDArray[np.float64],
    looks: int = 1,
    lsb: float = 0.0,
    *,
    known: Sequence[Known] = (),
    noise: Noise = WHITE,
    independent: bool = False,
) -> Mean:
    """The mean of a steady window of equally spaced values, for at most `looks` looks at growing windows.

    For its scatter, and what `known` and `noise` say of it, see `scatter_of`; `independent`: the values are known to
    be so.
    A value that repeats its predecessor exactly comes from a sensor that is slower than the logging: it is weighed in
    the mean, but is no evidence of its own for the scatter. lsb²/12 is added to the variance of the values; not being
    estimated, it has no doubt about itself. Raises ValueError for an empty window or one with NaN in it.
    """
    if values.size == 0 or not np.isfinite(values).all():
        raise ValueError(f"a mean needs a window of finite values, got {values.size} with a NaN or none at all")
    value = float(values.mean())
    kept = distinct(values)
    n, hidden = int(kept.size), lsb * lsb / 12.0
    if n == 1:
        return Mean(value, math.sqrt(hidden), 1, 1.0, math.inf, 0.0)
    found = scatter_of(kept, known, noise, independent=independent)
    if found.standard**2 <= _NOTHING * hidden / n:
        return Mean(value, math.sqrt(hidden / n), n, float(n), math.inf, 0.0)
    estimated, more = found.standard**2, hidden * found.longer / n
    variance = estimated + more
    effective = n / found.longer if found.pooled else (float(kept.var(ddof=1)) + hidden) / variance
    effective = min(max(effective, 1.0), float(n))
    dof = found.dof * (variance / estimated) ** 2
    phi = (n - effective) / (n + effective)
    widen = look_widening(dof, looks)
    return Mean(value, math.sqrt(variance), n, effective, dof, phi, widen, looks, found.pooled)


def distinct(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """The values without those that repeat their predecessor exactly."""
    return np.asarray(values[np.concatenate(([True], values[1:] != values[:-1]))])


def _times(doubt: Doubt, years: float, kelvins: float) -> float:
    if doubt.per is Per.YEAR:
        return max(years, 0.0)
    return abs(kelvins - (doubt.reference - 293.15)) if doubt.per is Per.KELVIN else 1.0


def _evaluated(doubt: Doubt, magnitude: float, times: float) -> Component:
    half_width = doubt.absolute + doubt.relative * magnitude
    if doubt.distribution is Distribution.NORMAL:
        return Component.normal(doubt.source, half_width, doubt.k, times, common=True)
    return Component.rectangular(doubt.source, half_width, times, common=True)
