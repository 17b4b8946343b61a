"""A smooth function of pressure fitted to means that are linear in its values, by the theory of Gaussian processes.

The function is a straight line with a bend somewhere, and a smooth deviation from it, of which nothing is known but how
large such are and how far they reach. Means scatter about it, white and as flow wanders. How much they scatter, how
large the deviation is and where the line bends is weighed by how well each explains all means together. What is known
of the stand only within limits (the meter's lag, the hose) adds to all means at once, by a factor that the limits bound
and that travels in both directions narrow down. With these variances the value at a place is the best linear estimate,
and its uncertainty falls apart into what each of them contributes. (C. E. Rasmussen, C. K. I. Williams, Gaussian
Processes for Machine Learning, 2006, sections 2.2, 2.7 and 5.4; from memory.)
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import product

import numpy as np

from daq.measure.convert import Floats
from daq.measure.curve_scale import Scale

WIDE = 0.3
"""Deviations from the line reach so far along the travel, whose pressure counts 1 and whose flow counts 1."""
LINE = (2.0, 1.0, 1.0)
"""Standard deviations of the line's height, of its slope, and of its bend, in shares of the largest value."""
DEVIATIONS = (0.004, 0.012, 0.04, 0.15)
"""How large deviations may be, in these shares."""
SCATTERS = (7e-4, 1.5e-3, 3e-3, 7e-3, 1.5e-2, 4e-2)
"""How much a mean over SCATTER_S may scatter, as a share of it …"""
SCATTER_S = 0.1
WANDERS = (0.0, 2.0)
"""… and how often the variance of that its wander may have, which is forgotten within WANDER_S."""
WANDER_S = 0.15
VARIANCES = np.array([(d * d, s * s, w * s * s) for d, s, w in product(DEVIATIONS, SCATTERS, WANDERS)])
TRIED = np.array([(0.02**2, 0.003**2, 0.0)])
KNEES = 24
"""Bends are looked for at so many places along the travel, by the variances TRIED, then at CLOSER of them between the
neighbours of the best, …"""
CLOSER = 8
WEIGHED = 6
"""… and so many of them weighed, beside none."""
SURE = 0.3
"""Evidence for a bend counts so much only: what pressure does within a step, and how round a bend really is, is not in
it."""
LEAST = 0.01
"""What is close to nothing scatters as this share of the largest does."""
_CORNER = 1e30


@dataclass(frozen=True, slots=True, eq=False)
class Known:
    """Means and what is known of them, all in shares of the largest.

    `rows` `[k, n]` give `y` `[k]` from the function at `pressure` `[n]`. `length` (s) is what each is a mean over, 0
    for one that scatters by no more than `variance` says; `t` `[n]` tells what wanders together. `common` are what adds
    to all means at once, by name, for one standard deviation of it.
    """

    pressure: Floats
    t: Floats
    rows: Floats
    y: Floats
    length: Floats
    variance: Floats
    common: Mapping[str, Floats]


@dataclass(frozen=True, slots=True, eq=False)
class Told:
    """What a fit says at a pressure, in shares of the largest: `scatter`, `bend` (what lies between the means) and each
    of `common` are standard uncertainties; `n` means count there, their scatter with so many `dof`."""

    value: float
    scatter: float
    bend: float
    common: Mapping[str, float]
    n: int
    dof: float


class Fit:
    """The function that fits best, over bends at several places, each by how well it explains the means."""

    def __init__(self, known: Known, scale: Scale, *, bends: bool) -> None:
        self._known, self._scale = known, scale
        self._along = scale.of(known.pressure)
        shared = _Shared(known, self._along)
        knees = [math.inf, *(_knees(shared, scale) if bends else ())]
        self._bent = [_Bent(shared, scale, knee) for knee in knees]
        self._weights = _softmax(SURE * np.array([bent.weigh() for bent in self._bent]))

    def values(self, pressure: Floats) -> Floats:
        """The function at pressures, `[n]`."""
        near = self._near(pressure)
        return np.asarray(self._weights @ [bent.between(near, pressure) @ bent.solved for bent in self._bent])

    def common(self, name: str) -> float:
        """How many standard deviations of something common the means show."""
        feature = self._known.common[name]
        return float(self._weights @ [feature @ bent.solved for bent in self._bent])

    def at(self, pressure: float) -> Told:
        """The function at a pressure, and what is doubtful of it."""
        place = np.array([pressure])
        near = self._near(place)
        told = [bent.at(near, place) for bent in self._bent]
        weights = self._weights @ [t[0] for t in told]
        values = np.array([t[0] for t in told]) @ self._known.y
        value = float(self._weights @ values)
        noise = sum(w * (weights @ bent.noise @ weights) for w, bent in zip(self._weights, self._bent, strict=True))
        heavy = np.abs(weights)
        return Told(
            value=value,
            scatter=math.sqrt(float(noise + weights**2 @ self._known.variance)),
            bend=math.sqrt(float(self._weights @ ([t[1] for t in told] + (values - value) ** 2))),
            common={name: float(feature @ weights) for name, feature in self._known.common.items()},
            n=int((heavy >= 0.1 * heavy.max()).sum()),
            dof=max(float(self._weights @ [bent.dof for bent in self._bent]), 1.0),
        )

    def _near(self, pressure: Floats) -> Floats:
        return np.asarray(_matern(self._scale.of(pressure)[:, None] - self._along) @ self._known.rows.T)


class _Shared:
    """What does not hang on where the line bends: covariances of all means, each for a variance of 1."""

    def __init__(self, known: Known, along: Floats) -> None:
        rows = known.rows
        self.known = known
        common = np.array(list(known.common.values())).reshape(-1, known.y.size)
        size = np.hypot(known.y, LEAST) * (known.length > 0.0)
        white = np.diag(size**2 * SCATTER_S / np.maximum(known.length, 0.1 * SCATTER_S))
        together = np.exp(-np.abs(known.t[:, None] - known.t) / WANDER_S)
        kernel = rows @ _matern(along[:, None] - along) @ rows.T
        self.varying = np.array([kernel, white, (rows @ together @ rows.T) * np.outer(size, size)])
        self.fixed = common.T @ common + np.diag(known.variance + 1e-12)


class _Bent:
    """A line with a bend at one place, infinite for none, and the deviation from it."""

    def __init__(self, shared: _Shared, scale: Scale, knee: float) -> None:
        self._shared, self._scale, self._knee = shared, scale, knee
        self._line = shared.known.rows @ self._of_line(shared.known.pressure)
        self._fixed = shared.fixed + self._line @ self._line.T

    def _of_line(self, pressure: Floats) -> Floats:
        """What the line is made of, `[n, 3]`."""
        scale, knee = self._scale, self._knee
        above = np.maximum(pressure - knee, 0.0) / max(scale.high - knee, 1e-3 * scale.span)
        return np.column_stack([np.ones(pressure.size), scale.share(pressure), above]) * LINE

    def evidence(self, variances: Floats) -> Floats:
        """The logarithm of how well each row of variances explains the means."""
        y = self._shared.known.y
        covariances = np.tensordot(variances, self._shared.varying, axes=1) + self._fixed
        # The last row of this root is y in units of its scatter.
        framed = np.full((len(variances), y.size + 1, y.size + 1), _CORNER)
        framed[:, :-1, :-1], framed[:, -1, :-1], framed[:, :-1, -1] = covariances, y, y
        roots = np.linalg.cholesky(framed)
        sizes = np.log(np.diagonal(roots, axis1=1, axis2=2)[:, :-1]).sum(axis=1)
        return np.asarray(-0.5 * (roots[:, -1, :-1] ** 2).sum(axis=1) - sizes)

    def weigh(self) -> float:
        """Takes the variances, each its mean by how well it explains the means; gives the evidence for this bend."""
        logs = self.evidence(VARIANCES)
        weights = _softmax(logs)
        taken = weights @ VARIANCES
        size = np.log(VARIANCES[:, 1])
        # as in `scatter_of`: ν degrees of freedom stand for a variance of 2/ν of the logarithm of a variance
        doubt = float(weights @ (size - weights @ size) ** 2) + 2.0 / max(self._shared.known.y.size - 2, 1)
        self.dof = max(2.0 / doubt, 1.0)
        self._deviation = float(taken[0])
        self.noise = np.tensordot(taken[1:], self._shared.varying[1:], axes=1)
        self._covariance = self._deviation * self._shared.varying[0] + self.noise + self._fixed
        self.solved = np.linalg.solve(self._covariance, self._shared.known.y)
        return float(logs.max() + np.log(np.exp(logs - logs.max()).sum()))

    def at(self, near: Floats, place: Floats) -> tuple[Floats, float]:
        """The weights of the means at one place, and the variance of what lies between them. `near` are its
        correlations with the means."""
        weights = np.linalg.solve(self._covariance, self.between(near, place)[0])
        kernel = self._shared.varying[0]
        bend = self._deviation * float(1.0 - 2.0 * near[0] @ weights + weights @ kernel @ weights)
        line = self._of_line(place)[0] - self._line.T @ weights
        return weights, max(bend, 0.0) + float(line @ line)

    def between(self, near: Floats, pressure: Floats) -> Floats:
        """The covariance of the function at pressures with all means, `[n, k]`."""
        return np.asarray(self._deviation * near + self._of_line(pressure) @ self._line.T)


def _knees(shared: _Shared, scale: Scale) -> list[float]:
    """Where the line may bend: the places that explain the means best."""

    def tried(along: Floats) -> list[tuple[float, float]]:
        knees = scale.at(along).tolist()
        return [(float(_Bent(shared, scale, knee).evidence(TRIED)[0]), knee) for knee in knees]

    along = np.linspace(scale.along[0], scale.along[-1], KNEES + 2)
    found = tried(along[1:-1])
    best = max(range(KNEES), key=lambda k: found[k])
    found += tried(np.linspace(along[best], along[best + 2], CLOSER + 2)[1:-1])
    return [knee for _, knee in sorted(found)[-WEIGHED:]]


def _softmax(logs: Floats) -> Floats:
    """Weights that add up to 1, in proportion to what these are the logarithms of."""
    weights = np.exp(logs - logs.max())
    return np.asarray(weights / weights.sum())


def _matern(apart: Floats) -> Floats:
    """Matérn's correlation with one derivative, `apart` along the travel."""
    far = math.sqrt(3.0) / WIDE * np.abs(apart)
    return np.asarray((1.0 + far) * np.exp(-far))
