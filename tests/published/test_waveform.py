"""Commutation and speed in a captured current, against derived rules and the trade's."""

import numpy as np
import pytest

from daq.measure.waveform import NotDetermined, Waveform, events_per_turn, waveform_of
from tests.published.rows import rows

HZ = 20_000.0


@pytest.mark.parametrize(
    ("segments", "poles", "events"),
    [
        pytest.param(8, 2, 8, id="V8.5, 8 segments"),
        pytest.param(7, 2, 14, id="V8.5, 7 segments"),
        pytest.param(5, 4, 20, id="V8.6, 5 segments"),
        pytest.param(7, 4, 28, id="V8.6, 7 segments"),
        pytest.param(8, 4, 8, id="V8.6, 8 segments"),
        pytest.param(10, 4, 20, id="V8.6, 10 segments"),
    ],
)
def test_ripples_of_a_turn(segments: int, poles: int, events: int) -> None:
    """lcm(poles, segments); derived, no printed source. Data sheets of ripple counters take the number as a
    parameter of the motor."""
    assert events_per_turn(segments, poles) == events
    if (segments, poles) in {(8, 2), (7, 2)}:
        assert events_per_turn(segments, poles) * 6000 / 60 == {8: 800.0, 7: 1400.0}[segments]


def captured(turn: float, heights: list[float], seconds: float = 0.2) -> Waveform:
    """A current of 5 A with humps of these heights (A) in every turn of `turn` seconds, between sharp valleys."""
    t = np.arange(round(seconds * HZ)) / HZ
    place = t / turn % 1.0 * len(heights)
    hump = np.array(heights)[place.astype(int)]
    noise = np.random.default_rng(887).normal(0.0, 0.01, t.size)
    found = waveform_of(5.0 + hump * np.abs(np.sin(np.pi * place)) + noise, HZ, segments=len(heights))
    assert not isinstance(found, NotDetermined), found.reason
    return found


@rows("V8.7")
def test_speed_from_the_humps() -> None:
    """Common practice, no source: a turn is one repeat of the pattern; eight humps in 10.2 ms of a motor with eight
    segments are 60/0.0102 = 5 882.4 rev/min."""
    found = captured(0.0102, [0.5, 0.45, 0.55, 0.5, 0.48, 0.52, 0.5, 0.47])
    assert found.speed is not None
    assert found.speed * 60 == pytest.approx(5882.4, abs=0.1)
    assert found.commutation_hz == pytest.approx(8 / 0.0102, rel=2e-4)


@rows("V9.20")
def test_evenness_of_the_humps() -> None:
    """Common practice, no source: equal humps are good; one that is low or missing in every turn points to a bad
    segment or winding."""
    good, low, missing = (captured(0.0102, [first] + [0.5] * 7).irregularity for first in (0.5, 0.25, 0.0))
    assert good is not None
    assert low is not None
    assert missing is not None
    assert good < 0.1
    assert low == pytest.approx(0.5, abs=0.02)
    assert missing > 0.9
