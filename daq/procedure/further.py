"""Readings that no single steady window gives: of the pressure–flow curve, of a capture, after power-off.

Each method gives readings, or says in a note why there are none; a requirement without its reading is void.
"""

from collections.abc import Sequence

import numpy as np

from daq.judge.requirement import Requirement
from daq.measure.channels import Channels
from daq.measure.convert import BITS, Column
from daq.measure.errors import MeasureError
from daq.measure.reading import UNMEASURED_KELVINS, Reader, Reading, as_array, kelvins_of
from daq.measure.residual import residual_of
from daq.measure.steps import Measuring, Step
from daq.measure.uncertainty import Component, Shape, combine
from daq.measure.waveform import NotDetermined, Waveform, waveform_of
from daq.measure.waveform_capture import amperes
from daq.procedure.effects import CaptureWanted, Noted
from daq.procedure.plan import Part
from drivers.block import Capture, Identity, Role

MOST_HZ = 20_000
MOST_SAMPLES = 4_000
"""A capture long and fast enough for the motors of the trade: 0.2 s are 10 turns at 3 000/min, and 20 kHz are 10
samples a hump at 14 humps and 8 500/min (speeds are common practice, no source)."""
SHUNTS = (Role.SHUNT_WIDE, Role.SHUNT)
"""Channels that a capture may come from, the better one first."""

Made = list[Reading | Noted]


def capture_for(identity: Identity) -> CaptureWanted | None:
    """The capture of the motor's current that a device can give, None where it can give none."""
    role = next((r for r in SHUNTS if identity.analog_index(r) is not None), None)
    if role is None or identity.burst_max_hz == 0:
        return None
    return CaptureWanted(int(role), min(identity.burst_max_hz, MOST_HZ), min(identity.burst_max_total, MOST_SAMPLES))


class Further:
    """The further readings of one run, by its part, channels and reader."""

    def __init__(self, part: Part, channels: Channels, measuring: Measuring, reader: Reader) -> None:
        self._part, self._channels = part, channels
        self._measuring, self._reader = measuring, reader
        self.waveforms: dict[str, Waveform] = {}

    def speed(self, capture: Capture, stage: str, t: float, volts: float) -> Made:
        """What a capture shows: always a note, and a speed where the part states its commutator. `volts` were at the
        terminals; the speed is that at the test voltage, in proportion."""
        samples = amperes(capture, self._channels, self._measuring.identity, self._reader.zero)
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
        combined = combine([c for c in (commutation, *supply) if c.standard > 0.0])
        n, value = len(capture.counts), found.speed + sum(c for _, c in shift)
        span = (t - n / capture.rate_hz, t)
        return [*made, Reading("speed", stage, value, value, value, combined, n, float(n), span, tuple(shift))]

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
        )
        doubts = self._reader.doubts("pressure", found.value, kelvins=kelvins_of([s.temperature for s in steps]))
        begin, end = (off_at + t for t in found.window)
        corrections = (("stand's leak", found.correction),) if found.correction else ()
        return Reading(
            "residual_pressure",
            "residual",
            found.value,
            found.value,
            found.value,
            combine([c for c in (*found.components, *doubts) if c.standard > 0.0]),
            found.mean.n,
            found.mean.n_effective,
            (begin, end),
            corrections,
            (*found.flags, *self._reader.flags),
            at=after,
        )


def _described(found: Waveform) -> str:
    """A waveform in a line for people."""
    if found.speed is None:
        return f"commutation {found.commutation_hz:.0f} Hz; the part states no commutator, so no speed is told"
    heights = " ".join(f"{h:.2f}" for h in found.heights)
    return f"{found.speed * 60:.0f}/min, humps of {heights} A, irregularity {found.irregularity:.2f}"
