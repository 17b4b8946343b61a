"""Travels of a valve on paper: a unit with a known curve, a hose that takes up, a meter with a lag."""

import math
from collections.abc import Callable

import numpy as np

from daq.measure.convert import Floats
from daq.measure.curve_points import Sweep

LAG = 0.15
COMPLIANCE = 1.5e-12
LOW, HIGH = 20e3, 500e3
FINE = 1e-3
STEP = 0.05
FLOW_STEP = 0.08


def unit_flow(pressure: Floats | float) -> Floats:
    """A curve that bends, m³/s: some 34 mL/s at no pressure, 20 mL/s at 500 kPa."""
    return np.asarray(34e-6 - 22e-12 * pressure - 6e-9 * np.sqrt(pressure))


def unit_current(pressure: Floats | float) -> Floats:
    return np.asarray(4.0 + 6e-6 * pressure)


def needle(share: Floats) -> Floats:
    """Pressure by the share of the travel, slow at first as with a needle valve."""
    return np.asarray(LOW + (HIGH - LOW) * 0.5 * (1.0 - np.cos(math.pi * share**3)))


def travel(
    *,
    closing: bool,
    seconds: float = 4.0,
    noise: float = 0.0,
    seed: int = 1,
    law: Callable[[Floats], Floats] = unit_flow,
    lag: float = LAG,
    compliance: float = COMPLIANCE,
    way: Callable[[Floats], Floats] = needle,
) -> Sweep:
    """Pressure along its `way`, from LOW to HIGH or back, with a second of rest before and after."""
    t = np.arange(0.0, seconds + 2.0, FINE)
    share = np.clip((t - 1.0) / seconds, 0.0, 1.0)
    share = share if closing else 1.0 - share
    pressure = way(share)
    into_meter = law(pressure) - compliance * np.gradient(pressure, FINE)
    shown = _follow(into_meter, lag)
    return _sweep(t, pressure, shown, closing, noise * np.random.default_rng(seed).standard_normal(t.size))


def _follow(flow: Floats, lag: float) -> Floats:
    """A first-order lag, in rest at the start; exact for flow that goes in straight lines between samples."""
    keep = math.exp(-FINE / lag)
    shown = np.empty_like(flow)
    state = shown[0] = float(flow[0])
    for k, (before, now) in enumerate(zip(flow[:-1].tolist(), flow[1:].tolist(), strict=True), start=1):
        rate = (now - before) / FINE
        state = now - rate * lag + (state - before + rate * lag) * keep
        shown[k] = state
    return shown


def _sweep(t: Floats, pressure: Floats, shown: Floats, closing: bool, noise: Floats) -> Sweep:
    """Means as a stand gives them; `noise` are relative errors, one for each flow step."""
    edges = np.arange(0.0, t[-1], STEP)
    flow_t = np.arange(0.013, t[-1], FLOW_STEP)

    def means(values: Floats, bounds: Floats) -> Floats:
        total = np.concatenate(([0.0], np.cumsum(0.5 * (values[1:] + values[:-1]) * FINE)))
        return np.diff(np.interp(bounds, t, total)) / np.diff(bounds)

    flows = means(shown, flow_t) * (1.0 + noise[: flow_t.size - 1])
    return Sweep(
        t=edges[1:],
        pressure=means(pressure, edges),
        current=means(unit_current(pressure), edges),
        voltage=means(13.5 - 0.02 * unit_current(pressure), edges),
        flow_t=flow_t,
        flow_steps=np.concatenate(([np.nan], flows)),
        closing=closing,
    )
