"""Readings that no single steady window gives: of the pressure–flow curve, of a capture, after power-off.

Each method gives readings, or says in a note why there are none; a requirement without its reading is void.
"""

from collections.abc import Sequence

import numpy as np

from daq.judge.requirement import Requirement
from daq.measure.channels import Channels
from daq.measure.convert import BITS, Column
from daq.measure.curve import Curve, End, curve_of
from daq.measure.curve_points import Sweep
from daq.measure.doubts import clock_doubt
from daq.measure.errors import CurveError, MeasureError
from daq.measure.pause import Pause
from daq.measure.rated import rated
from daq.measure.reading import FEWEST_STEPS, UNMEASURED_KELVINS, Reader, Reading, Window, as_array, kelvins_of
from daq.measure.residual import residual_of
from daq.measure.steps import Measuring, Step
from daq.measure.uncertainty import ROOT_3, Component, Shape, combine, mean_of
from daq.measure.waveform import NotDetermined, Waveform, waveform_of
from daq.measure.waveform_capture import SHUNTS, amperes
from daq.procedure.effects import CaptureWanted, Noted
from daq.procedure.plan import Part
from daq.procedure.table import Valve, stage_of
from drivers.block import Capture, Identity

MOST_HZ = 20_000
CAPTURE_S = 0.2
"""A capture long and fast enough for the motors of the trade: 0.2 s are 10 turns at 3 000/min, and 20 kHz are 10
samples a hump at 14 humps and 8 500/min (speeds are common practice, no source). No longer, since it takes the place of
scans: while none come a driven stand's lease is not renewed."""
Made = list[Reading | Noted]


def capture_for(identity: Identity) -> CaptureWanted | None:
    """The capture of the motor's current that a device can give, None where it can give none."""
    role = next((r for r in SHUNTS if identity.analog_index(r) is not None), None)
    if role is None or identity.burst_max_hz == 0:
        return None
    rate = min(identity.burst_max_hz, MOST_HZ)
    return CaptureWanted(int(role), rate, min(identity.burst_max_total, round(CAPTURE_S * rate)))


class Further:
    """The further readings of one run, by its part, channels and reader."""

    def __init__(self, part: Part, channels: Channels, measuring: Measuring, reader: Reader) -> None:
        self._part, self._channels = part, channels
        self._measuring, self._reader = measuring, reader
        self._travels: dict[bool, list[Step]] = {}
        self._ends: list[End] = []
        self.waveforms: dict[str, Waveform] = {}

    def travel(self, step: Step, closing: bool, fit: bool) -> None:
        """Takes a step of a travel of the valve; one that is not `fit` leaves a gap."""
        if fit:
            self._travels.setdefault(closing, []).append(step)

    def rested(self, window: Window) -> None:
        """Takes a steady window with the valve open or shut: an end of the curve. Only its scatter is doubtful there,
        since what else is wrong with a channel was so on the way too."""
        flow = _flow_at_rest(window)
        if flow is None:
            return
        p = self._channels.pressure
        means = {name: mean_of(getattr(window, name)) for name in ("pressure", "current", "voltage")}
        known = {name: (mean.value, mean.standard) for name, mean in means.items()}
        pressure, standard = known["pressure"]
        known["pressure"] = pressure + p.k_outlet * window.through**2 + p.height, standard
        self._ends.append(End(0.5 * sum(window.span), known | {"flow": flow}))

    def rated(self, requirements: Sequence[Requirement], t: float) -> Made:
        """What the part requires at places of the curve, once the valve has travelled both ways."""
        try:
            curve = self._curve()
        except CurveError as error:
            return [Noted(t, "curve not drawn", str(error))]
        steps = [s for travel in self._travels.values() for s in travel]
        span = (min(s.t for s in steps) - self._measuring.step_s, max(s.t for s in steps))
        kelvins = kelvins_of([s.temperature for s in steps])
        made: Made = []
        for quantity, at, place in dict.fromkeys((r.quantity.value, r.at, r.place) for r in requirements):
            if at is not None:
                reading = rated(curve, quantity, at, self._reader, place=place, kelvins=kelvins, span=span)
                why = f"{quantity}: the travels of the valve did not reach it"
                made.append(reading or Noted(t, "rated not read", why))
        return made

    def _curve(self) -> Curve:
        """The curve of the travels so far.

        Raises:
            CurveError: the valve moved too quickly, or nothing of it could be used.
        """
        channels = self._channels
        return curve_of(
            [self._sweep(steps, closing) for closing, steps in self._travels.items()],
            lag=channels.flow.lag,
            lag_doubt=channels.flow.lag_doubt,
            compliance=channels.pressure.compliance,
            compliance_doubt=channels.pressure.compliance_doubt,
            ends=self._ends,
        )

    def paused(self, quantity: str, at: float, window: Window, looks: int) -> Reading | None:
        """A quantity at the pressure where the valve is held; None where the window does not give it."""
        p, travel = self._channels.pressure, [s for steps in self._travels.values() for s in steps]
        to_outlet = p.k_outlet * window.through**2 + p.height
        pause = Pause(window, to_outlet, travel, looks, self._reader.lsb("pressure"))
        return rated(pause, quantity, at, self._reader, place="pressure", kelvins=window.kelvins, span=window.span)

    def _sweep(self, steps: list[Step], closing: bool) -> Sweep:
        """A travel as the curve wants it, its pressure brought to the unit's outlet. A step's scans stand half a scan
        before its middle."""
        meter, p, measuring = self._measuring.meter, self._channels.pressure, self._measuring
        assert meter is not None, "a travel has blocks"
        flows = np.nan_to_num(as_array([s.flow.value for s in steps]))
        t = as_array([s.t for s in steps])
        flow_t, flow_steps = meter.between_edges(steps[0].t - measuring.step_s, steps[-1].t)
        return Sweep(
            t=t - 0.5 / measuring.identity.sample_hz,
            pressure=as_array([s.pressure for s in steps]) + p.k_outlet * flows**2 + p.height,
            current=as_array([s.current for s in steps]),
            voltage=as_array([s.voltage for s in steps]),
            flow_t=flow_t,
            flow_steps=flow_steps,
            closing=closing,
        )

    def speed(self, capture: Capture, stage: str, t: float, volts: float) -> Made:
        """What a capture shows: always a note, and a speed where the part states its commutator. `volts` were at the
        terminals; the speed is that at the test voltage, in proportion."""
        try:
            samples = amperes(capture, self._channels, self._measuring.identity, self._reader.zero)
        except MeasureError as error:
            return [Noted(t, "waveform not read", str(error))]
        found = waveform_of(
            samples,
            float(capture.rate_hz),
            segments=self._part.segments,
            poles=self._part.poles,
            overrange=capture.overrange,
        )
        if isinstance(found, NotDetermined):
            return [Noted(t, "waveform not determined", found.reason)]
        self.waveforms[stage] = found
        made: Made = [Noted(t, "waveform", _described(found))]
        if found.speed is None or found.speed_doubt is None:
            return made
        shift, supply = self._reader.to_test_voltage("speed", found.speed, volts, UNMEASURED_KELVINS)
        commutation = Component("commutation", Shape.STUDENT, found.speed_doubt, max(found.dof, 1.0))
        clock = clock_doubt(self._channels.clock_tolerance, found.speed)
        combined = combine([c for c in (commutation, clock, *supply) if c.standard > 0.0])
        stretches = found.dof + 3.0  # a parabola is laid through the phases of so many
        n, value = len(capture.counts), found.speed + sum(c for _, c in shift)
        span = (t - n / capture.rate_hz, t)
        return [*made, Reading("speed", stage, value, value, value, combined, n, stretches, span, tuple(shift))]

    def residual(self, requirements: Sequence[Requirement], steps: list[Step], off_at: float) -> Made:
        """The pressures that are left at the times required, `steps` being those since power went off at `off_at`."""
        if any(s.faulty & BITS[Column.PRESSURE] for s in steps):
            return [Noted(steps[-1].t, "residual pressure not read", "pressure faulty")]
        made: Made = []
        for after in sorted({r.after for r in requirements if r.after is not None}):
            try:
                made.append(self._residual_at(after, steps, off_at))
            except MeasureError as error:
                made.append(Noted(steps[-1].t, "residual pressure not read", str(error)))
        return made

    def _residual_at(self, after: float, steps: list[Step], off_at: float) -> Reading:
        pressure = self._channels.pressure
        middles = [s.t - 0.5 * self._measuring.step_s - off_at for s in steps]
        seen = [(t, s) for t, s in zip(middles, steps, strict=True) if t >= 0.0]
        warmth = as_array([s.temperature for t, s in seen if t <= after])
        ends = max(len(warmth) // 10, 1)
        found = residual_of(
            as_array([t for t, _ in seen]),
            as_array([s.pressure for _, s in seen]),
            after=after,
            leak=pressure.leak,
            lsb=self._reader.lsb("pressure"),
            kelvins=float(warmth[-ends:].mean() - warmth[:ends].mean()) if len(warmth) else np.nan,
            thermal=pressure.thermal,
            temperature=float(warmth.mean()) if len(warmth) and np.isfinite(warmth).all() else None,
            clock=self._channels.clock_tolerance,
        )
        doubts = self._reader.doubts("pressure", found.value, kelvins=kelvins_of([s.temperature for s in steps]))
        begin, end = (off_at + t for t in found.window)
        corrections = tuple((n, c) for n, c in (("stand's leak", found.correction), ("height", pressure.height)) if c)
        value = found.value + pressure.height
        return Reading(
            "residual_pressure",
            "residual",
            value,
            value,
            value,
            combine([c for c in (*found.components, *doubts) if c.standard > 0.0]),
            found.mean.n,
            found.mean.n_effective,
            (begin, end),
            corrections,
            (*found.flags, *self._reader.flags),
            at=after,
        )


def _flow_at_rest(window: Window) -> tuple[float, float] | None:
    """A window's flow with its scatter; with the valve shut none, but for what the meter would not show. None where it
    says too little."""
    w = window.flow
    if not np.isfinite(w.value):
        return (0.0, w.high / ROOT_3) if stage_of(window.stage).valve is Valve.SHUT and np.isfinite(w.high) else None
    if window.flow_steps.size < FEWEST_STEPS or not np.isfinite(window.flow_steps).all():
        return None
    return w.value, mean_of(window.flow_steps, known=window.flow_usual, noise=window.flow_noise).standard


def _described(found: Waveform) -> str:
    """A waveform in a line for people."""
    if found.speed is None:
        return f"commutation {found.commutation_hz:.0f} Hz; the part states no commutator, so no speed is told"
    heights = " ".join(f"{h:.2f}" for h in found.heights)
    return f"{found.speed * 60:.0f}/min, humps of {heights} A, irregularity {found.irregularity:.2f}"
