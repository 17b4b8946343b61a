"""Residual pressure: what is left some time after power-off with the valve shut, without what the stand itself lost."""

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from daq.measure.channels import Leak
from daq.measure.convert import Floats
from daq.measure.decay import Decay, decay_of
from daq.measure.errors import ResidualError
from daq.measure.uncertainty import Component, Mean, mean_of

SPAN_S = 0.5
"""The value is a mean over so long about its time: ten steps average noise and the converter's step, and over half a
second even a fast decay is nearly straight, so it hardly matters what law it follows."""
BENDS = 3
"""Degree of the polynomial by which the fitted law may miss what is near."""
NEAR_S = 2.0
"""Scatter and autocorrelation are those of the steps so near: ten are too few to tell them from chance."""
FEWEST = 6
"""Steps that this mean must have; a blind half of it would be no mean about its time."""
RUN_DOWN_S = 1.0
"""While the pump runs down and its check valve closes, pressure follows no exponential (common practice, no source)."""
SEEN_WITHIN_S = 0.25
"""The pressure at power-off is known only where it was seen so soon after it."""
MOMENT_S = 0.05
"""Power-off is told by the current, to a step."""
UNMEASURED_K = 1.0
"""How far fluid may warm or cool in a minute where nothing measures it (common practice, no source)."""
LEAK_PER_KELVIN = 0.03
"""Share by which a leak changes with each kelvin: a thin gap passes more of a thinner fluid, and the viscosity of
calibration oil changes by 2 to 3 % with each kelvin (from memory)."""


@dataclass(frozen=True, slots=True)
class Residual:
    """The pressure (Pa) at `after` seconds since power-off.

    `value` is `mean` and `correction` together: the mean about that time, and what the stand itself lost until then.
    `components` hold its scatter and what time, leak and temperature make doubtful; the transducer's own doubts are not
    among them. `window` is the mean's, in seconds since power-off. `decay` is the law of the corrected pressure after
    run-down, and `drop` what was lost at once, before that law held (None where power-off itself was not seen).
    """

    value: float
    mean: Mean
    correction: float
    components: tuple[Component, ...]
    window: tuple[float, float]
    decay: Decay
    drop: float | None
    flags: tuple[str, ...] = ()


def residual_of(
    t: Floats,
    pressure: Floats,
    *,
    after: float,
    leak: Leak | None,
    lsb: float = 0.0,
    kelvins: float = math.nan,
    thermal: float = 0.0,
    temperature: float | None = None,
    clock: float = 0.0,
) -> Residual:
    """The residual pressure at `after` from step means, each at its middle `t` seconds since power-off, in order.

    p(t) + ∫ r(p) dt, r(p) being the stand's own `leak`; without one nothing is corrected, which the flag
    `stand_leak_unknown` says. `kelvins` is how far the fluid's temperature went since power-off (NaN: not measured),
    which moves the pressure by `thermal` (Pa/K) at most; it is a doubt, since what is measured is the fluid in the
    tank, not that in the hose. `temperature` is the fluid's, K, for the leak's own. The seconds are right within the
    share `clock`.

    Raises:
        ResidualError: steps about that time are missing, or none was seen before it.
    """
    chosen = np.abs(t - after) <= 0.5 * SPAN_S + 1e-9
    _refuse_gaps(t, chosen, after)
    lost = _lost(t, pressure, leak) if leak else np.zeros_like(t)
    correction = float(np.interp(after, t, lost))
    run_down = min(RUN_DOWN_S, 0.5 * after)
    decay, drop = _law(t, pressure + lost, run_down, leak.rest if leak else 0.0)
    left = pressure + lost - decay.curve(t)
    near = (t >= run_down) & (np.abs(t - after) <= NEAR_S)
    mean = _mean(left[chosen], decay.at(after) - correction, t[near], left[near], lsb)
    warmed = UNMEASURED_K if math.isnan(kelvins) else abs(kelvins)
    components = [
        mean.component(),
        Component.rectangular("moment of power-off", MOMENT_S, -decay.rate(after), about="second"),
        Component.rectangular("device clock", clock * after, -decay.rate(after), about="second"),
        Component.rectangular("fluid temperature since power-off", warmed, thermal, about="kelvin"),
    ]
    flags = [] if leak else ["stand_leak_unknown"]
    if leak:
        guessed = float(np.interp(after, t, _sum_up(t, _guessed(leak, pressure))))
        components += _leak_doubts(leak, after, correction, guessed, temperature)
        flags += ["above_leak_table"] if pressure[t <= after].max() > leak.table[-1][0] else []
    window = (after - 0.5 * SPAN_S, after + 0.5 * SPAN_S)
    return Residual(
        mean.value + correction, mean, correction, tuple(components), window, decay, drop, flags=tuple(flags)
    )


def leak_rate(leak: Leak, pressure: Floats) -> Floats:
    """How fast the stand loses pressure, Pa/s: straight lines from nothing at rest through the table's points; above
    the last one in proportion to pressure."""
    at = np.array([leak.rest, *(p for p, _ in leak.table)])
    rate = np.array([0.0, *(r for _, r in leak.table)])
    above = np.maximum((pressure - leak.rest) / (at[-1] - leak.rest), 1.0)
    return np.asarray(np.interp(pressure, at, rate) * above)


def _refuse_gaps(t: Floats, chosen: NDArray[np.bool_], after: float) -> None:
    """A mean with a hole in it is none about its time."""
    expected = f"residual pressure {after:g} s after power-off: expected an unbroken record of {SPAN_S:g} s about it"
    do = "keep the valve shut and the line up for so long, then test again"
    seen = t[chosen]
    if seen.size < FEWEST:
        raise ResidualError(f"{expected}, found {seen.size} steps; {do}")
    step = float(np.median(np.diff(seen)))
    reaches = max(seen[0] - (after - 0.5 * SPAN_S), after + 0.5 * SPAN_S - seen[-1])
    gap = max(float(np.diff(seen).max()), float(reaches))
    if gap > 1.5 * step:
        raise ResidualError(f"{expected}, found a gap of {gap:.2f} s; {do}")


def _mean(chosen: Floats, law: float, t: Floats, near: Floats, lsb: float) -> Mean:
    """The mean of what the law leaves at the chosen steps, upon the `law` itself; its scatter is that of the steps
    near, without the smooth curve by which the law may miss them: not every leak follows it."""
    u = t - t.mean()
    scatter = mean_of(near - np.polyval(np.polyfit(u, near, BENDS), u), lsb=lsb)
    share = chosen.size / near.size * (near.size - 1 - BENDS) / (near.size - 1)
    return replace(
        scatter,
        value=law + float(chosen.mean()),
        standard=scatter.standard / math.sqrt(share),
        n=chosen.size,
        n_effective=max(scatter.n_effective * share, 1.0),
        dof=max(scatter.dof - BENDS, 1.0),
    )


def _lost(t: Floats, pressure: Floats, leak: Leak) -> Floats:
    """What the stand lost from power-off to each `t`, Pa."""
    return _sum_up(t, leak_rate(leak, pressure))


def _guessed(leak: Leak, pressure: Floats) -> Floats:
    """How far the leak beyond its table may be from `leak_rate`, Pa/s: above, it may stay what it was; below, it may go
    with the root of pressure, as through a hole, where that goes in proportion, as through a gap."""
    (first, low), (last, high) = leak.table[0], leak.table[-1]
    above = np.maximum((pressure - leak.rest) / (last - leak.rest), 1.0) - 1.0
    below = np.clip((pressure - leak.rest) / (first - leak.rest), 0.0, 1.0)
    return np.asarray(high * above + low * (np.sqrt(below) - below))


def _sum_up(t: Floats, rate: Floats) -> Floats:
    """∫ rate dt from power-off to each `t`, by trapezoids."""
    pieces = np.concatenate(([rate[0] * t[0]], 0.5 * (rate[1:] + rate[:-1]) * np.diff(t)))
    return np.cumsum(pieces)


def _law(t: Floats, pressure: Floats, run_down: float, floor: float) -> tuple[Decay, float | None]:
    """The decay once the pump has run down, and what was lost before."""
    kept = t >= run_down
    decay = decay_of(t[kept], pressure[kept], floor)
    seen = t[0] <= SEEN_WITHIN_S
    return decay, float(pressure[0]) - decay.at(float(t[0])) if seen else None


def _leak_doubts(
    leak: Leak, after: float, correction: float, guessed: float, temperature: float | None
) -> list[Component]:
    """What is doubtful of the correction: the rates, which err the same way all the time; `guessed`, what it may
    be off beyond the table; and that they hold at this temperature."""
    warmer = 0.0
    if leak.temperature is not None and temperature is not None:
        warmer = abs(temperature - leak.temperature)
    return [
        Component.normal("stand's leak", leak.doubt, 2.0, after, common=True, about="decay"),
        Component.rectangular("stand's leak beyond its table", guessed, common=True),
        Component.rectangular(
            "stand's leak at another temperature", warmer, LEAK_PER_KELVIN * correction, about="kelvin"
        ),
    ]
