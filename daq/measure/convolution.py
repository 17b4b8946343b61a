"""The distribution of a sum of independent errors, worked out on a grid (JCGM 101:2008, without its random draws)."""

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from daq.measure.distributions import student_cdf, student_quantile

Floats = NDArray[np.float64]

_CELLS = 4096
_REACH = 8.0
"""The grid ends at so many times an estimate of the 95 % half-width. Only the far tails of Student's t lie beyond."""


def convolve(
    normals: Sequence[float], rectangles: Sequence[float], students: Sequence[tuple[float, float]]
) -> tuple[Floats, Floats]:
    """The sum of errors with mean 0: offsets, rising, and the probability that the sum lies below each.

    Normal and rectangular errors are given by standard deviation, Student's t by scale and degrees of freedom; those
    of zero width are passed over, at least one must not be. Rectangles and Student's t are shared out to the cells of a
    grid; their discrete Fourier transforms are multiplied with each other and with the one Gaussian that the normal
    errors make. Between the offsets the probability is to be interpolated linearly; the 95 % half-width is then good
    to 5e-5.
    """
    tailed = [(scale, dof) for scale, dof in students if scale > 0.0 and math.isfinite(dof)]
    variance = sum(u * u for u in normals) + sum(scale**2 for scale, dof in students if math.isinf(dof))
    half_widths = [math.sqrt(3.0) * u for u in rectangles if u > 0.0]
    reach = _REACH * _half_width(variance, half_widths, tailed)
    width = 2.0 * reach / _CELLS
    centres: Floats = np.arange(-(_CELLS // 2), _CELLS // 2, dtype=np.float64) * width
    spectrum = np.exp(-0.5 * variance * (2.0 * math.pi * np.fft.rfftfreq(_CELLS, width)) ** 2).astype(np.complex128)
    for half in half_widths:
        spectrum *= _transform(_rectangle_cells(half, centres, width))
    for scale, dof in tailed:
        spectrum *= _transform(_student_cells(scale, dof, centres))
    below = np.cumsum(np.maximum(np.fft.fftshift(np.fft.irfft(spectrum, _CELLS)), 0.0))
    return centres + 0.5 * width, below / below[-1]


def _half_width(variance: float, half_widths: Sequence[float], tailed: Sequence[tuple[float, float]]) -> float:
    """About the 95 % half-width of the sum: those of its parts, in quadrature."""
    tails = sum((scale * student_quantile(0.975, dof)) ** 2 for scale, dof in tailed)
    return math.sqrt(4.0 * variance + sum(half * half for half in half_widths) + tails)


def _transform(cells: Floats) -> NDArray[np.complex128]:
    return np.fft.rfft(np.fft.ifftshift(cells))


def _rectangle_cells(half: float, centres: Floats, width: float) -> Floats:
    overlap = np.minimum(centres + 0.5 * width, half) - np.maximum(centres - 0.5 * width, -half)
    return np.asarray(np.clip(overlap, 0.0, None) / (2.0 * half))


def _student_cells(scale: float, dof: float, centres: Floats) -> Floats:
    """Scaled Student's t on the grid; what lies beyond the grid is heaped on its last cells, so that none is lost.

    A distribution narrower than a cell lands in the middle one as a whole: its form no longer matters there.
    """
    cells = np.exp(-0.5 * (dof + 1.0) * np.log1p((centres / scale) ** 2 / dof))
    beyond = student_cdf(float(centres[0]) / scale, dof)
    cells *= (1.0 - 2.0 * beyond) / cells.sum()
    cells[0] += beyond
    cells[-1] += beyond
    return np.asarray(cells)
