"""Counts of a capture as amperes."""

import pytest

from daq.measure.convert import Column, Converter, Zero
from daq.measure.errors import CaptureError, NotFittedError
from daq.measure.waveform_capture import amperes
from drivers.block import Capture, Role
from tests.daq.measure.blocks import CHANNELS, RESTING, ROLES, VOLTS_PER_COUNT, identity, steady_blocks


def test_a_capture_reads_as_the_scans_of_its_channel_do() -> None:
    device = identity()
    (block,) = steady_blocks(RESTING | {Role.SHUNT: 6.0}, 25, noise=40.0)
    counts = block.values[:, ROLES.index(Role.SHUNT)].tolist()
    converter = Converter(CHANNELS, device)
    converter.zero = Zero(current=0.25)
    expected = converter.convert(block).values[:, Column.CURRENT]
    found = amperes(Capture(Role.SHUNT, 20_000, 5, counts, False), CHANNELS, device, converter.zero)
    assert found == pytest.approx(expected, abs=1e-12)


def test_a_wide_channel_by_its_own_counts() -> None:
    device = identity((*ROLES, Role.SHUNT_WIDE))
    # 0.2 V/A behind 5 mΩ and a gain of 40
    found = amperes(Capture(Role.SHUNT_WIDE, 20_000, 5, [0, 1000], False), CHANNELS, device, Zero())
    assert found == pytest.approx([0.0, 1000 * VOLTS_PER_COUNT / 0.2])


def test_a_capture_at_no_rate_is_refused() -> None:
    with pytest.raises(CaptureError, match="expected a rate above 0"):
        amperes(Capture(Role.SHUNT, 0, 5, [1], False), CHANNELS, identity(), Zero())


@pytest.mark.parametrize("role", [Role.PRESSURE, Role.SHUNT_WIDE])
def test_what_is_no_current_is_refused(role: Role) -> None:
    with pytest.raises(NotFittedError, match=rf"capture of role {int(role)}: expected one of a shunt \(roles 3, 9\)"):
        amperes(Capture(role, 20_000, 5, [1], False), CHANNELS, identity(), Zero())
