"""How often the steady-state detector is wrong, and how long it takes. Run: python -m tests.studies.steady

Figures are in percent of the limit, times in seconds. Every detector gets as its tolerance `share` percent a window.
"""

import math
import sys
from collections.abc import Iterable
from dataclasses import astuple, dataclass

import numpy as np

from daq.measure.steady import Detector
from tests.studies import signals
from tests.studies.common import autoregressive, show
from tests.studies.signals import HZ, Floats, Signal

STEP_S, RUN_S, WINDOW_S, TOLERANCE, JUMP, READ_S = 0.05, 20.0, 0.8, 0.75, 50.0, 1.0
RUNS = 300


@dataclass(frozen=True)
class Settings:
    """`window` in seconds; the tolerance is in percent a window; `lsb` in percent."""

    window: float = WINDOW_S
    tolerance: float = TOLERANCE
    lsb: float = 0.0

    def detector(self) -> Detector:
        return Detector(self.tolerance, lsb=self.lsb, window_s=self.window)


def first_steady(values: Floats, times: Floats, settings: Settings) -> float:
    """When a series is first called steady; infinity for never."""
    detector = settings.detector()
    points = zip(times.tolist(), values.tolist(), strict=True)
    return next((t for t, x in points if detector.feed(t, x)), math.inf)


def kept_from_first(values: Floats, times: Floats, settings: Settings, longest: float = 5.0) -> tuple[float, float]:
    """When a series is first called steady, and the share of the `longest` seconds after that in which it stays so."""
    detector = settings.detector()
    first, states = math.inf, list[bool]()
    for t, x in zip(times.tolist(), values.tolist(), strict=True):
        steady = detector.feed(t, x)
        if math.isfinite(first):
            states.append(steady)
        elif steady:
            first = t
        if t > first + longest:
            break
    return first, float(np.mean(states)) if states else math.nan


@dataclass(frozen=True)
class Rest:
    """At rest: seconds to steady, median and 95 % of runs; the share of 5 s after that which stays so; the share of
    runs that never get there."""

    delay: float
    long_delay: float
    kept: float
    missed: float


def resting(noise: Floats, step: float, settings: Settings) -> Rest:
    times = np.arange(noise.shape[1]) * step
    found = np.array([kept_from_first(100.0 + row, times, settings) for row in noise])
    first = found[:, 0]
    return Rest(
        float(np.median(first)),
        float(np.quantile(first, 0.95)),
        float(np.nanmean(found[:, 1])),
        float(np.mean(np.isinf(first))),
    )


def drifting(noise: Floats, step: float, settings: Settings, times: float = 2.0) -> float:
    """The share of runs ever called steady though slope × window is `times` the tolerance throughout."""
    t = np.arange(noise.shape[1]) * step
    drift = 100.0 + times * settings.tolerance / settings.window * t
    return float(np.mean([math.isfinite(first_steady(drift + row, t, settings)) for row in noise]))


@dataclass(frozen=True)
class Approach:
    """After a jump: seconds to steady from when slope × window has come down to the tolerance, median and 95 % of runs;
    the share of runs called steady before that by more than `BEFORE` of its slope; the error of a mean over the second
    that follows, root mean square."""

    delay: float
    long_delay: float
    false: float
    error: float


BEFORE = 2.0
"""An approach that is called steady counts as false where its slope × window is still so many times the tolerance."""


def settling(noise: Floats, step: float, settings: Settings, tau: float) -> Approach:
    """A first-order approach after a jump of half the limit."""
    t = np.arange(noise.shape[1]) * step
    left = JUMP * np.exp(-t / tau)
    moved = left * settings.window / tau
    over = float(t[np.argmax(moved <= settings.tolerance)])
    first = np.array([first_steady(100.0 - left + row, t, settings) for row in noise])
    place = np.searchsorted(t, np.minimum(first, t[-1]))
    false = moved[place] > BEFORE * settings.tolerance
    errors = np.array([reading_error(row - left, t, at) for row, at in zip(noise, first, strict=True)])
    return Approach(
        float(np.median(first - over)),
        float(np.quantile(first - over, 0.95)),
        float(np.mean(false)),
        float(np.sqrt(np.nanmean(errors**2))),
    )


def reading_error(off: Floats, t: Floats, found: float) -> float:
    """The mean of what lies off the final value over the second after `found`; NaN where that is not all there."""
    window = off[(t > found) & (t <= found + READ_S + 1e-9)]
    return float(window.mean()) if found + READ_S <= t[-1] else math.nan


def started(noise: Floats, step: float, settings: Settings, lag: float = 0.15) -> tuple[float, float]:
    """From power on to the end of a window of 1 s after steady, mean and 95 % of runs: a pump that needs 0.1 s to
    deliver and a meter with a `lag` follow."""
    t = np.arange(noise.shape[1]) * step
    rise = np.where(t > 0.1, 1.0 - np.exp(-(t - 0.1) / lag), 0.0)
    found = np.array([first_steady(100.0 * rise + row, t, settings) for row in noise]) + READ_S
    return float(found.mean()), float(np.quantile(found, 0.95))


def grid_noise(noise: float, phi: float, runs: int, seed: int = 9) -> Floats:
    """First-order autoregressive steps of standard deviation `noise` percent."""
    return noise * autoregressive(np.random.default_rng(seed), phi, runs, round(RUN_S / STEP_S))


REAL: tuple[tuple[str, Signal, float, Settings], ...] = (
    ("good transmitter", signals.quiet, STEP_S, Settings()),
    ("pulsation 0.5 % rms", signals.pulsating(0.5), STEP_S, Settings()),
    ("pulsation 1.7 % rms", signals.pulsating(1.7), STEP_S, Settings()),
    ("pulsation 0.5 % rms, folded to 3 Hz", signals.beating(0.5, 3.0), STEP_S, Settings()),
    ("pulsation 0.5 % rms, folded to 0.3 Hz", signals.beating(0.5, 0.3), STEP_S, Settings()),
    ("ripple of commutation, 3.5 % rms", signals.pulsating(3.5), STEP_S, Settings()),
    ("wander 0.2 %, 0.1 s", signals.wandering(0.2, 0.1), STEP_S, Settings()),
    ("wander 0.2 %, 0.5 s", signals.wandering(0.2, 0.5), STEP_S, Settings()),
    ("converter, count 0.25 %", signals.coarse(0.25), STEP_S, Settings(lsb=0.25)),
    ("sensor read every 0.15 s", signals.repeated(0.15), STEP_S, Settings()),
    ("spikes, 5 in 1 000, one sample", signals.spiked(5.0, 1), STEP_S, Settings()),
    ("spikes, 5 in 1 000, two samples", signals.spiked(5.0, 2), STEP_S, Settings()),
    ("flowmeter, lag 0.15 s, flow wanders 0.15 %", signals.metered(), signals.FLOW_STEP_S, Settings()),
    ("flowmeter, lag 0.15 s, flow wanders 0.4 %", signals.metered(0.4), signals.FLOW_STEP_S, Settings()),
)


# Sources of any rate.

ROWS_HZ = (1, 2, 4, 5, 10, 20, 50, 100, 250, 500)
RAMPS, NOISES = (0.2, 0.5, 1.0, 2.0, 5.0), (0.1, 0.2, 0.5, 1.0, 2.0)
"""Percent a second; percent of the value, the standard deviation of one row."""
REST_S, LEAST_RAMP, LEAST_RAMP_S = 60.0, 6.0, 6.0
"""Each series is a rest, a ramp and a rest. A ramp is 6 % in all, or, where that would be over sooner, as long as 6 s
and a dozen rows."""
LOGGED_HZ = 20
"""Steps a second of a logger that is quicker than the source: the mean of its scans, which repeat the newest row."""


@dataclass(frozen=True)
class Tally:
    """Seconds of rest and of ramps that count, and of them those called steady; ramps of 6 % in all, and of them those
    across which a channel was called steady all the time."""

    rest: float = 0.0
    found: float = 0.0
    moving: float = 0.0
    false: float = 0.0
    ramps: int = 0
    missed: int = 0

    def __add__(self, other: "Tally") -> "Tally":
        return Tally(*(a + b for a, b in zip(astuple(self), astuple(other), strict=True)))

    @property
    def recall(self) -> float:
        return self.found / self.rest

    @property
    def false_steady(self) -> float:
        return self.false / self.moving


def seen_after(slope: float, noise: float, rows_hz: float) -> float:
    """Seconds from the beginning of a ramp after which it can be seen at all, and from its end after which its end can:
    it has moved by the tolerance and a half, or by twice the noise of a row or of a step of 50 ms; and there have been
    three rows and a second."""
    of_step = noise / math.sqrt(max(1.0, rows_hz / LOGGED_HZ))
    return max(1.5 * TOLERANCE, 2.0 * of_step) / slope + 1.0 + 3.0 / rows_hz


def needed(rows_hz: float) -> float:
    """Seconds that a rest takes to be found: a window of so many rows."""
    return 2.0 + 10.0 / rows_hz


def logged(
    rng: np.random.Generator, rows_hz: float, slope: float, noise: float, ramp_s: float
) -> tuple[Floats, Floats]:
    """Times and values of steps: of rows with white noise about a rest, a ramp and a rest, repeated where the logger is
    quicker and averaged where it is not. Rows come at any phase to the steps."""
    total = 2 * REST_S + ramp_s
    rows_t = (np.arange(round(total * rows_hz) + 1) + rng.uniform()) / rows_hz
    rows = 100.0 + slope * np.clip(rows_t - REST_S, 0.0, ramp_s) + noise * rng.standard_normal(len(rows_t))
    scans_t = np.arange(round(total * max(HZ, rows_hz))) / max(HZ, rows_hz)
    at = np.maximum(np.searchsorted(rows_t, scans_t, side="right") - 1, 0)
    per_step = round(max(HZ, rows_hz) / LOGGED_HZ)
    scans = rows[at][: len(at) // per_step * per_step]
    values = scans.reshape(-1, per_step).mean(axis=1)
    return (np.arange(len(values)) + 1) / LOGGED_HZ, values


def across_a_ramp(rng: np.random.Generator, rows_hz: float, slope: float, noise: float, *, short: bool) -> Tally:
    ramp_s = LEAST_RAMP / slope if short else max(LEAST_RAMP / slope, LEAST_RAMP_S + 12.0 / rows_hz)
    times, values = logged(rng, rows_hz, slope, noise, ramp_s)
    detector = Settings().detector()
    steady = np.array([detector.feed(t, x) for t, x in zip(times.tolist(), values.tolist(), strict=True)])
    late, ends = seen_after(slope, noise, rows_hz), REST_S + ramp_s
    resting = ((times > needed(rows_hz)) & (times <= REST_S)) | (times > ends + late + needed(rows_hz))
    moving = (times > REST_S + late) & (times <= ends)
    kept = steady[(times > REST_S) & (times <= ends + late)].all()
    return Tally(
        resting.sum() / LOGGED_HZ,
        (resting & steady).sum() / LOGGED_HZ,
        moving.sum() / LOGGED_HZ,
        (moving & steady).sum() / LOGGED_HZ,
        1,
        int(kept),
    )


def at_rate(
    rows_hz: float,
    runs: int,
    ramps: tuple[float, ...] = RAMPS,
    noises: tuple[float, ...] = NOISES,
    seed: int = 13,
) -> dict[tuple[float, float], Tally]:
    """By slope and noise, what comes of `runs` series of 6 % in all and as many of longer ramps."""
    found = {}
    for slope in ramps:
        for noise in noises:
            rng = np.random.default_rng((seed, round(1e3 * slope), round(1e3 * noise)))
            runs_of = (across_a_ramp(rng, rows_hz, slope, noise, short=k % 2 == 0) for k in range(2 * runs))
            found[slope, noise] = sum(runs_of, Tally())
    return found


def rates(runs: int) -> Iterable[list[str]]:
    for rows_hz in ROWS_HZ:
        found = at_rate(rows_hz, runs)
        total = sum(found.values(), Tally())
        worst = min(t.recall for t in found.values())
        yield [
            f"{rows_hz} /s", f"{total.recall:.3f}", f"{worst:.3f}", f"{total.false_steady:.3f}",
            f"{total.missed} of {total.ramps}",
        ]  # fmt: skip


SLOW = (0.1, 0.125, 0.15, 0.175, 0.2)
"""Percent a second: ramps about the slowest that is to be noticed, the tolerance in 5 s."""
SLOW_HZ, SLOW_NOISES = (1, 10, 50, 500), (0.1, 0.5, 1.0, 2.0)


def slowest(runs: int) -> Iterable[list[str]]:
    """By slope, what share of the time such a ramp is taken for steady, at each of SLOW_HZ."""
    found = {hz: at_rate(hz, runs, SLOW, SLOW_NOISES) for hz in SLOW_HZ}
    for slope in SLOW:
        by_rate = [sum((t for (s, _), t in found[hz].items() if s == slope), Tally()) for hz in SLOW_HZ]
        total = sum(by_rate, Tally())
        yield [f"{slope} %/s", *(f"{t.false_steady:.2f}" for t in by_rate), f"{total.missed} of {total.ramps}"]


def percent(share: float) -> str:
    return f"{100 * share:.1f} %"


def pair(median: float, most: float) -> str:
    return f"{median:.2f} / {most:.2f} s"


def grid(runs: int) -> Iterable[list[str]]:
    for noise in (0.05, 0.2, 0.5, 1.0):
        for phi in (0.0, 0.3, 0.6):
            series = grid_noise(noise, phi, runs)
            rest = resting(series, STEP_S, Settings())
            drifts = [drifting(series, STEP_S, Settings(), times) for times in (1.5, 2.0)]
            after = settling(series, STEP_S, Settings(), 0.5)
            yield [
                f"{noise} %", f"{phi}", pair(rest.delay, rest.long_delay), percent(rest.kept), percent(rest.missed),
                *map(percent, drifts), pair(after.delay, after.long_delay), percent(after.false),
            ]  # fmt: skip


def real(runs: int) -> Iterable[list[str]]:
    for name, signal, step, settings in REAL:
        series = signal(np.random.default_rng(10), runs, RUN_S)
        rest = resting(series, step, settings)
        about = series - series.mean(axis=1, keepdims=True)
        phi = float((about[:, 1:] * about[:, :-1]).mean() / (about**2).mean())
        yield [
            name, f"{about.std():.2f} %", f"{phi:.2f}", pair(rest.delay, rest.long_delay), percent(rest.kept),
            percent(rest.missed), percent(drifting(series, step, settings)),
        ]  # fmt: skip


def choice(runs: int) -> Iterable[list[str]]:
    flow = signals.metered()(np.random.default_rng(11), runs, RUN_S)
    pressure = signals.quiet(np.random.default_rng(12), runs, RUN_S)
    for window, share in ((0.6, 0.5), (0.8, 0.5), (0.8, 0.75), (1.0, 0.5), (1.0, 0.75), (1.5, 0.5), (1.5, 0.75)):
        settings = Settings(window, share)
        worst = max(drifting(grid_noise(noise, 0.6, runs), STEP_S, settings) for noise in (0.2, 0.5))
        errors = [settling(pressure, STEP_S, settings, tau).error for tau in (0.2, 0.5, 1.0)]
        yield [
            f"{window} s", f"{share} %", pair(*started(flow, signals.FLOW_STEP_S, settings)),
            pair(*started(pressure, STEP_S, settings)), percent(drifting(flow, signals.FLOW_STEP_S, settings)),
            percent(worst), " / ".join(f"{error:.2f} %" for error in errors),
        ]  # fmt: skip


def main(runs: int = RUNS) -> None:
    show(("noise", "φ", "to steady at rest, median / 95 %", "kept", "missed runs", "drift 1.5 ×: false runs",
          "drift 2 ×: false runs", "after a jump, τ 0.5 s", "false runs"), grid(runs))  # fmt: skip
    sys.stdout.write("\n")
    show(("signal", "noise", "φ", "to steady at rest, median / 95 %", "kept", "missed runs", "drift 2 ×: false runs"),
         real(runs))  # fmt: skip
    sys.stdout.write("\n")
    show(("window", "tolerance", "flow read after power on, mean / 95 %", "pressure, mean / 95 %",
          "flow drifts 2 ×: false runs", "grid, φ 0.6: false runs", "error of the reading, τ 0.2 / 0.5 / 1 s"),
         choice(runs))  # fmt: skip
    sys.stdout.write("\n")
    show(("rows a second", "recall", "worst recall of a slope and noise", "false steady", "ramps missed"),
         rates(max(1, runs // 100)))  # fmt: skip
    sys.stdout.write("\n")
    show(("ramp", *(f"taken for steady at {hz} /s" for hz in SLOW_HZ), "ramps missed"), slowest(max(1, runs // 150)))


if __name__ == "__main__":
    main()
