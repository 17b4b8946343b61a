"""References that are measured: what they agree with, what is found out, and what is left to the budget."""

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.measure.channels import Channels, PressureKind, RailInput
from daq.measure.convert import BITS, Column, Converter, Zero
from daq.measure.doubts import Doubts
from daq.measure.references import References, references_of
from drivers.block import AnalogInput, Block, Identity, Role
from tests.daq.measure.blocks import CHANNELS, PRESSURE, ROLES, SHUNT, Line, identity

HZ, BLOCK, REST = 200, 10, 5.0
WARM = replace(CHANNELS, shunt=replace(SHUNT, alpha=3.9e-3, assumed_temperature=298.15))
ALL = replace(WARM, reference=RailInput(2.5), supply=RailInput(5.0, gain=0.5, tolerance=0.05, drift=0.02))
REFERENCES = (Role.EXCITATION, Role.AMBIENT_TEMPERATURE, Role.REFERENCE_VOLTAGE, Role.CONVERTER_SUPPLY)
VOLTS = {
    Role.EXCITATION: 5.0,
    Role.AMBIENT_TEMPERATURE: 0.75,
    Role.REFERENCE_VOLTAGE: 2.5,
    Role.CONVERTER_SUPPLY: 2.5,
}
"""At the converter, with each at its nominal value."""
UNFOUND = {
    Role.EXCITATION: (0.01 * 5.0, 0.003 * 5.0),
    Role.AMBIENT_TEMPERATURE: (10.0 * 0.01, 5.0 * 0.01),
    Role.REFERENCE_VOLTAGE: (0.01 * 2.5, 0.003 * 2.5),
    Role.CONVERTER_SUPPLY: (0.05 * 2.5, 0.02 * 2.5),
}
"""Volts at the converter within tolerance and drift."""
Spoil = Callable[[np.ndarray, np.ndarray], np.ndarray]
each = st.sampled_from(REFERENCES)


def device(bits: int = 14, channels: tuple[Role, ...] = (*ROLES[:3], *REFERENCES), hz: int = HZ) -> Identity:
    analog = tuple(AnalogInput(int(role), bits, 0, 6.0 / 2**bits) for role in channels)
    return replace(identity(sample_hz=hz), analog=analog)


def blocks(
    made: Identity, role: Role, spoil: Spoil, *, seconds: float, noise: float, seed: int = 1, size: int = BLOCK
) -> Iterator[tuple[float, Block]]:
    """Blocks of a device at rest, each with the seconds at its end; the volts of one reference become what `spoil`
    makes of them and of their seconds. `noise` is in volts."""
    draw, hz, line = np.random.default_rng(seed), made.sample_hz, Line(sample_hz=made.sample_hz)
    per_volt = 1.0 / made.analog[0].volts_per_count
    for first in range(0, round(seconds * hz), size):
        t = (first + np.arange(size)) / hz
        volts = np.zeros((size, len(made.analog)))
        for k, analog in enumerate(made.analog):
            volts[:, k] = VOLTS.get(Role(analog.role), 0.5) + noise * draw.standard_normal(size)
            if analog.role == role:
                volts[:, k] = spoil(volts[:, k], t)
        yield float(t[-1]), line.block(np.rint(volts * per_volt).astype(np.int16))


def found_at(
    role: Role, spoil: Spoil, *, seconds: float = 12.0, noise: float = 1e-3, seed: int = 1, bits: int = 14
) -> float | None:
    """When the reference was found out (s), the zero being taken after `REST`; None where it was not."""
    made = device(bits)
    references, settled = References(references_of(ALL, made), HZ), False
    for t, block in blocks(made, role, spoil, seconds=seconds, noise=noise, seed=seed):
        references.feed(block)
        if references.found is not None:
            return t
        if t >= REST and not settled:
            references.settle()
            settled = True
    return None


def jump(size: float, at: float) -> Spoil:
    return lambda volts, t: volts + np.where(t >= at, size, 0.0)


@settings(deadline=None)
@given(each, st.floats(6.0, 9.0), st.floats(1.6, 30.0), st.sampled_from((-1.0, 1.0)))
def test_a_jump_beyond_the_drift_is_found_at_once(role: Role, at: float, times: float, sign: float) -> None:
    """In half a second where it is small, in the very block where it is large."""
    found = found_at(role, jump(sign * times * UNFOUND[role][1], at))
    assert found is not None
    assert at - 1e-9 <= found <= at + 0.55
    if times > 20.0:
        assert found <= at + 0.1


@settings(deadline=None)
@given(each, st.floats(1.1, 10.0), st.sampled_from((-1.0, 1.0)))
def test_an_error_beyond_the_tolerance_is_found_from_the_start(role: Role, times: float, sign: float) -> None:
    found = found_at(role, jump(sign * times * UNFOUND[role][0], 0.0))
    assert found is not None
    assert found <= 0.6


@settings(deadline=None)
@given(each, st.floats(0.0, 0.9), st.floats(0.0, 0.85), st.floats(6.0, 9.0), st.sampled_from((-1.0, 1.0)))
def test_what_stays_within_is_left_alone(role: Role, off: float, moved: float, at: float, sign: float) -> None:
    tolerance, drift = UNFOUND[role]
    spoil = jump(sign * min(moved * drift, (0.95 - off) * tolerance), at)
    assert found_at(role, lambda v, t: spoil(v + sign * off * tolerance, t)) is None


@settings(deadline=None)
@given(each, st.floats(0.05, 1.0), st.sampled_from((-1.0, 1.0)))
def test_a_slow_drift_is_found_before_it_does_more_than_the_budget_says(
    role: Role, per_second: float, sign: float
) -> None:
    """At `per_second` drifts a second; the mean over half a second comes a quarter of one late."""
    drift = UNFOUND[role][1]
    found = found_at(role, lambda v, t: v + sign * per_second * drift * np.maximum(t - 5.0, 0.0), seconds=45.0)
    assert found is not None
    assert (found - 5.0) * per_second <= 1.3 + 0.5 * per_second


@settings(deadline=None)
@given(each, st.integers(1, 10_000), st.sampled_from((0.3e-3, 1e-3, 5e-3)), st.sampled_from((10, 12, 14)))
def test_noise_alone_is_no_fault(role: Role, seed: int, noise: float, bits: int) -> None:
    """Half a minute of a sound reference, at any noise and on any converter."""
    assert found_at(role, lambda v, t: v, seconds=35.0, noise=noise, seed=seed, bits=bits) is None


@settings(deadline=None)
@given(each, st.floats(5.5, 9.0))
def test_counts_that_stop_are_found(role: Role, at: float) -> None:
    found = found_at(role, lambda v, t: np.where(t >= at, VOLTS[role], v))
    assert found is not None
    assert at + 0.35 <= found <= at + 0.6


def test_a_quiet_reference_may_stand_still() -> None:
    """Noise of a tenth of a count hardly ever moves it: that is no sign of anything."""
    assert found_at(Role.EXCITATION, lambda v, t: v, noise=3e-5, seconds=20.0) is None


def test_one_spike_is_no_jump() -> None:
    """Four per cent on one scan: interference, which its mean takes."""
    spike = lambda v, t: v * np.where(np.abs(t - 8.0) < 0.5 / HZ, 1.04, 1.0)  # noqa: E731
    assert found_at(Role.EXCITATION, spike) is None


def test_only_what_rests_on_it_is_spoilt() -> None:
    """Pressure as a ratio of two counts does not rest on the converter's reference; a transducer in volts does."""
    rests = {
        Role.EXCITATION: {"pressure"},
        Role.AMBIENT_TEMPERATURE: {"current"},
        Role.REFERENCE_VOLTAGE: {"voltage", "current", "temperature", "level"},
        Role.CONVERTER_SUPPLY: {"pressure", "voltage", "current", "temperature", "level"},
    }
    by_place = {device().analog[r.k].role: set(r.channels) for r in references_of(ALL, device())}
    assert by_place == rests
    volts = replace(ALL, pressure=replace(PRESSURE, kind=PressureKind.VOLTAGE))
    by_place = {device().analog[r.k].role: set(r.channels) for r in references_of(volts, device())}
    assert Role.EXCITATION not in by_place
    assert "pressure" in by_place[Role.REFERENCE_VOLTAGE]


def test_bits_of_the_channels_that_rest_on_it() -> None:
    made = device()
    converter = Converter(replace(ALL, temperature=None, level=None), made, needed=())
    spoil = jump(1.0, 0.0)
    bits = {converter.convert(b).faulty for _, b in blocks(made, Role.CONVERTER_SUPPLY, spoil, seconds=2, noise=1e-3)}
    assert bits == {0, sum(BITS[c] for c in Column)}


@pytest.mark.parametrize("channels", [CHANNELS, replace(ALL, reference=None, supply=None), ALL])
def test_what_nobody_described_is_no_reference(channels: Channels) -> None:
    names = References(references_of(channels, device()), HZ).names
    assert ("reference voltage" in names) == (channels.reference is not None)
    assert ("converter supply" in names) == (channels.supply is not None)
    assert ("shunt temperature" in names) == (channels.shunt.alpha > 0.0)
    assert not references_of(channels, device(channels=ROLES[:3]))
    stated = replace(device(), analog=tuple(replace(a, volts_per_count=0.0) for a in device().analog))
    assert not references_of(channels, stated)


def doubts(made: Identity, channel: str, value: float) -> dict[str, float]:
    references = References(references_of(ALL, made), HZ)
    found = Doubts(ALL, {"pressure": 48.0, "current": 8e-4, "voltage": 8e-4}, {}, "", references)
    found.zero = Zero(taken=True)
    return {c.source: c.standard for c in found.of(channel, value, kelvins=0.0)}


def test_what_cannot_be_found_out_is_in_the_budget() -> None:
    """Half-widths by hand, over √3: from the start 1 % of 400 kPa; since the zero 0.3 % of 5 V and a converter's step
    of 0.37 mV, as a share of 5 V, of the 525 kPa over no output."""
    made, root = device(), 3**0.5
    lsb = 6.0 / 2**14
    pressure, current, volts = (
        doubts(made, c, v) for c, v in (("pressure", 400e3), ("current", 6.0), ("voltage", 13.0))
    )
    assert pressure["excitation"] == pytest.approx(4e3 / root)
    assert pressure["excitation since the zero"] == pytest.approx((0.015 + lsb) / 5.0 * 525e3 / root)
    assert pressure["converter supply"] == pytest.approx(0.05 * 0.01 * 400e3 / root)
    assert "reference voltage" not in pressure
    assert current["reference voltage"] == pytest.approx(0.06 / root)
    assert current["shunt temperature"] == pytest.approx(10.0 * 3.9e-3 * 6.0 / root)
    assert current["shunt temperature since the zero"] == pytest.approx((5.0 + 100 * lsb) * 3.9e-3 * 6.0 / root)
    assert volts["reference voltage"] == pytest.approx(0.13 / root)
    bare = doubts(device(channels=ROLES[:3]), "current", 6.0)
    assert bare["shunt temperature"] == pytest.approx(10.0 * 3.9e-3 * 6.0 / root)
    assert not any("since the zero" in name for name in bare)


@pytest.mark.parametrize("size", [1, 7, 10])
def test_an_error_that_is_not_found_lies_within_its_component(size: int) -> None:
    """Pressure with the largest shift of the excitation that is left alone, at any size of block."""
    made = device()
    channels = replace(ALL, temperature=None, level=None)
    reference = next(r for r in references_of(channels, made) if r.name == "excitation")
    converter = Converter(channels, made, needed=())
    shift = 0.95 * reference.drift
    last = 0.0
    for t, block in blocks(made, Role.EXCITATION, jump(shift, 6.0), seconds=9.0, noise=1e-3, size=size):
        values = converter.convert(block).values[:, Column.PRESSURE]
        if 4.9 < t < 5.0:
            converter.references.settle()
            before = float(values.mean())
        last = float(values.mean())
    assert converter.references.found is None
    moved = last - before
    beyond = before - channels.pressure.at_no_output
    [bound] = [
        c for c in converter.references.doubts("pressure", before, beyond) if c.source == "excitation since the zero"
    ]
    assert abs(moved) <= bound.standard * 3**0.5 + 200.0
