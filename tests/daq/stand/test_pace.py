"""What the arrivals of blocks tell of the device's clock and of the line."""

import numpy as np
import pytest

from daq.stand.pace import LEAST, pace_of

RNG = np.random.default_rng(11)


def test_worked_out_by_hand() -> None:
    """A block a second; the device's clock is 1 % fast, so 1.01 of its seconds for each of ours. The block at 5 s is
    0.2 s late: its neighbours' line is lifted a little, which the lateness counts from the quickest block."""
    host = np.arange(0.0, 11.0)
    pace = pace_of((1.01 * host).tolist(), host.tolist())
    assert pace is not None
    assert pace.ratio == pytest.approx(1.01)
    assert (pace.doubt, pace.usual, pace.worst) == (pytest.approx(0.0, abs=1e-9),) * 3
    assert pace.gap == pytest.approx(1.0)
    late = host.copy()
    late[5] += 0.2  # in the middle: it moves the line up, and does not turn it
    pace = pace_of((1.01 * host).tolist(), late.tolist())
    assert pace is not None
    assert pace.ratio == pytest.approx(1.01)
    assert pace.worst == pytest.approx(0.2)
    assert pace.usual == pytest.approx(0.0, abs=1e-12)
    assert pace.gap == pytest.approx(1.2)


def test_its_doubt_holds_the_truth_as_often_as_it_says() -> None:
    """95 % for 1 000 records of 5 s with normal lateness; 2.4 % of that are three standard deviations."""
    device = np.arange(0.0, 5.0, 0.04)
    held = 0
    for _ in range(1000):
        pace = pace_of(device.tolist(), (device / 1.002 + RNG.normal(0.0, 3e-3, device.size)).tolist())
        assert pace is not None
        held += abs(pace.ratio - 1.002) <= pace.doubt
    assert 0.926 <= held / 1000 <= 0.985


def test_where_the_clocks_began_does_not_matter() -> None:
    device, host = np.arange(0.0, 2.0, 0.05), np.arange(0.0, 2.0, 0.05)
    pace = pace_of((device + 4e3).tolist(), (host + 1.7e6).tolist())
    assert pace is not None
    assert pace.ratio == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize(
    ("device", "host"),
    [
        ([], []),
        (list(range(LEAST - 1)), list(range(LEAST - 1))),
        ([3.0] * LEAST, list(range(LEAST))),  # a device whose ticks stand still
        (list(range(LEAST)), [-t for t in range(LEAST)]),  # one whose ticks run backwards
    ],
)
def test_where_nothing_can_be_told(device: list[float], host: list[float]) -> None:
    assert pace_of(device, host) is None
