"""How a simulated stand errs: systematic errors drawn from the very distributions that its configuration states.

Only then may intervals that are said to hold the truth in 95 of 100 cases be counted: the doubts are given, and what is
tried is everything that is done with them.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from daq.measure.channels import Channels, Distribution, Doubt, Per
from simulator.fast_sensors import Misreading

KNEE = {"pressure": 5e3, "current": 0.2, "voltage": 1.0}
"""Below this (Pa, A, V) an offset fades away, so that it is not there at rest and no zero takes it off: a budget's
doubts are those of a reading, whose zero has a doubt of its own."""
ZERO_SHARE = 0.25
"""Standard deviation of what a zero has shifted since calibration, as a share of the largest shift that is no fault."""


@dataclass(frozen=True, slots=True)
class StandErrors:
    """The errors of a stand's sensors in one run, by sensor, and `meter_gain`: the pulses that the device counts to a
    volume and a second of its own clock, over those of the meter's table."""

    misread: Mapping[str, Misreading]
    meter_gain: float


def draw_errors(
    channels: Channels, years: Mapping[str, float], fluid: float, generator: np.random.Generator
) -> StandErrors:
    """A stand's errors, `years` (by channel) after calibration, in fluid of a temperature (K).

    Each doubt gives one error, of the stated shape and size: its `absolute` part an offset, its `relative` part a gain;
    those per year and per kelvin grow as the budget lets them grow. The shunt's temperature and the rate of the
    device's clock are anywhere within what is stated of them. A clock that is slow by a share makes a flow seem larger
    by it, as a meter with so many more pulses does. Hose and height are none of these: the simulated transducer sits at
    the unit's outlet.
    """

    def error(channel: str, doubts: Sequence[Doubt]) -> tuple[float, float]:
        drawn = [(_drawn(d, generator) * _times(d, years.get(channel, 0.0), fluid), d) for d in doubts]
        return sum(x * d.absolute for x, d in drawn), sum(x * d.relative for x, d in drawn)

    def zero(limit: float) -> float:
        return min(max(ZERO_SHARE * float(generator.standard_normal()), -1.0), 1.0) * limit

    shunt, warm = channels.shunt, channels.temperature
    p_offset, p_gain = error("pressure", channels.pressure.doubts)
    i_offset, i_gain = error("current", shunt.doubts)
    v_offset, v_gain = error("voltage", channels.voltage.doubts)
    q_offset, q_gain = error("flow", channels.flow.doubts)
    t_offset, t_gain = error("temperature", warm.doubts if warm else ())
    i_gain += shunt.alpha * shunt.temperature_doubt * float(generator.uniform(-1.0, 1.0))
    if q_offset:
        raise ValueError(
            "flow doubts: expected relative ones only, since a pulse meter has no offset; found an absolute"
        )
    return StandErrors(
        {
            "pressure": Misreading(p_gain, p_offset, zero(channels.pressure.zero_limit), KNEE["pressure"]),
            "current": Misreading(i_gain, i_offset, zero(shunt.zero_limit), KNEE["current"]),
            "voltage": Misreading(v_gain, v_offset, knee=KNEE["voltage"]),
            "temperature": Misreading(t_gain, zero=t_offset),
        },
        (1.0 + q_gain) * (1.0 + channels.clock_tolerance * float(generator.uniform(-1.0, 1.0))),
    )


def _drawn(doubt: Doubt, generator: np.random.Generator) -> float:
    """An error as a share of the doubt's half-width."""
    if doubt.distribution is Distribution.NORMAL:
        return float(generator.standard_normal()) / doubt.k
    return float(generator.uniform(-1.0, 1.0))


def _times(doubt: Doubt, years: float, fluid: float) -> float:
    if doubt.per is Per.YEAR:
        return years
    return abs(fluid - doubt.reference) if doubt.per is Per.KELVIN else 1.0
