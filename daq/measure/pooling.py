"""What earlier runs of a part on a stand tell of how its channels scatter (JCGM 100:2008, 4.2.4).

Pooling is for a process under statistical control, so that is looked at first: a run whose variance the others would
hardly ever reach is left out, and where that is so of many, the channel has no history. Units of a part need not
scatter alike. How far their variances differ beyond chance limits the degrees of freedom with which all of them
together can tell the variance of the next one.
"""

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from daq.measure.distributions import fisher_above
from daq.measure.scatter import Differences, Floats, Known, scales_of

OUT_OF_CONTROL = 0.001
"""A run's variance that the others would reach less often than this does not belong to them."""
MOST_OUT = 0.2
"""The share of runs that may be left out; more are no process under control."""
MEDIAN_TO_DEVIATION = 1.4826
"""Standard deviation of a normal variable over the median of its size."""
FEW_RUNS = 3
FEW_DOF = 20.0
"""With fewer runs than `FEW_RUNS` nothing tells how far units differ: the standard deviation of the next one is known
to 16 % at best, which is worth so many degrees of freedom (JCGM 100:2008, G.4.2)."""

Seen = Mapping[str, Differences]
"""How channels scattered in a run, by kind of stage and channel."""


def history_of(runs: Sequence[Seen]) -> dict[str, Known]:
    """What `runs` tell of each channel in each kind of stage; channels without anything to tell are left out."""
    names = dict.fromkeys(name for run in runs for name in run)
    found = {name: _pooled([run[name] for run in runs if name in run]) for name in names}
    return {name: known for name, known in found.items() if known is not None}


def _pooled(runs: Iterable[Differences]) -> Known | None:
    kept = [run for run in runs if not run.flat]
    if not kept:
        return None
    dofs = np.array([float(run.dof) for run in kept])
    variances = scales_of(kept) / dofs
    inside = _inside(variances, dofs)
    if len(kept) - len(inside) > max(1.0, MOST_OUT * len(kept)):
        return None
    together = sum((kept[k] for k in inside), start=Differences())
    return Known(together, _dof(variances[inside], dofs[inside]), len(inside))


def _inside(variances: Floats, dofs: Floats) -> list[int]:
    """The runs whose variance the middle one of all does not make improbable, units being as unlike as they are."""
    if len(variances) < FEW_RUNS:
        return list(range(len(variances)))
    logs = np.log(variances)
    middle = float(np.median(logs))
    spread = (MEDIAN_TO_DEVIATION * float(np.median(np.abs(logs - middle)))) ** 2
    unlike = max(spread - float(np.mean(2.0 / dofs)), 0.0)
    others = 1.0 / (1.0 / float(dofs.sum()) + 0.5 * unlike)
    ratios = np.exp(logs - middle).tolist()
    return [k for k, f in enumerate(ratios) if fisher_above(f, float(dofs[k]), others) >= OUT_OF_CONTROL]


def _dof(variances: Floats, dofs: Floats) -> float:
    """Logarithms of variances scatter by 2/ν where nothing but chance is in them; what they scatter beyond that says
    how far the next unit's variance may be off."""
    total = float(dofs.sum())
    if len(variances) < FEW_RUNS:
        return min(total, FEW_DOF)
    unlike = max(float(np.log(variances).var(ddof=1)) - float(np.mean(2.0 / dofs)), 0.0)
    return max(1.0 / (1.0 / total + 0.5 * unlike), 1.0)
