"""A short form of the campaign: a fixed handful of faults of every kind, none of which may give a wrong verdict."""

import numpy as np
import pytest

from drivers.block import AnalogInput, Block, Feature, Identity, Input, Role
from tests.studies.single_faults.cases import baseline, carry_out, case_of
from tests.studies.single_faults.faults import Fault, Kind, Scale, Spoiler
from tests.studies.single_faults.sound import sound

FAULTS = (
    "followed/turbine/good/pressure/gain/-0.2/throttle/1",
    "followed/turbine/good/pressure/gain/-0.06/shutoff/1",
    "followed/turbine/bad/pressure/gain/0.06/free_flow/1",
    "followed/turbine/bad/pressure/stuck_noise/0/throttle/1",
    "followed/turbine/good/pressure/swapped:current/0/shutoff/1",
    "followed/turbine/bad/pressure/offset/0.2/throttle/1",
    "followed/turbine/good/current/gain/0.06/free_flow/1",
    "followed/turbine/bad/current/gain/-0.06/throttle/1",
    "followed/turbine/bad/current/stuck_noise/0/free_flow/1",
    "followed/turbine/good/current/offset/0.06/reopen/1",
    "followed/turbine/good/voltage/drift/-0.005/throttle/1",
    "followed/turbine/good/voltage/gain/-0.06/free_flow.2/1",
    "followed/turbine/good/flow/gain/-0.06/shutoff/1",
    "followed/turbine/bad/flow/gain/0.06/free_flow/1",
    "followed/turbine/good/flow/stuck/0/reopen/1",
    "followed/turbine/good/flow/drop_out/0.3/reopen/1",
    "followed/turbine/good/excitation/gain/-0.2/throttle/1",
    "followed/turbine/good/clock/gain/-0.06/shutoff/1",
    "followed/turbine/bad/clock/offset/-0.06/throttle/1",
    "followed/module/good/pressure/gain/-0.06/throttle/1",
    "followed/module/good/flow/gain/-0.06/free_flow/1",
    "driven/turbine/good/pressure/gain/-0.06/throttle/1",
    "driven/turbine/good/current/gain/0.06/throttle/1",
    "followed/displacement/good/pressure/offset/-0.2/throttle/1",
    "followed/turbine/good/voltage/swapped:current/0/free_flow/1",
    "followed/module/good/voltage/swapped:current/0/reopen/1",
)
ROLES = (Role.PRESSURE, Role.SHUNT)
DEVICE = Identity(
    1,
    Feature(0),
    "device",
    "1",
    Input(0),
    0,
    1,
    1_000_000,
    500,
    0,
    0,
    tuple(AnalogInput(r, 12, 0, 1e-3) for r in ROLES),
    (1,),
)
SCALES = {"pressure": Scale(400.0, 1000.0), "current": Scale(0.0, 500.0)}
SCANS = 20


@pytest.mark.timeout(120)
@pytest.mark.parametrize("name", FAULTS)
def test_no_fault_gives_a_wrong_verdict(name: str) -> None:
    case = case_of(name)
    assert str(case) == name
    assert baseline(case.mode, case.family, case.fault.channel, case.good, 1).word == ("pass" if case.good else "fail")
    result = carry_out(case)
    assert not result.wrong, result


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("followed/turbine/good/current/noise/0.1/start/1", True),
        ("followed/turbine/good/current/noise/0.1/powered/1", False),
        ("followed/turbine/good/current/gain/0.2/powered/1", True),
        ("followed/turbine/good/current/gain/0.2/free_flow/1", False),
        ("followed/module/good/pressure/gain/0.2/shutoff/1", False),
        ("followed/module/good/flow/gain/-0.2/reopen/1", True),
        ("followed/module/good/flow/gain/-0.2/free_flow/1", False),
        ("followed/module/good/flow/stuck/0/reopen/1", True),
        ("followed/module/good/flow/stuck/0/free_flow/1", False),
        ("followed/turbine/good/excitation/gain/-0.2/zeroed/1", False),
    ],
)
def test_a_change_needs_an_earlier_signal_to_be_compared_with(name: str, expected: bool) -> None:
    assert case_of(name).no_earlier_signal is expected


@pytest.mark.timeout(120)
def test_sound_units_on_drawn_stands_pass() -> None:
    assert {s.word for s in sound(4, 3)} == {"pass"}


def blocks(fault: Fault, at: float, n: int = 4, hertz: float = 200.0) -> tuple[list[Block], list[Block]]:
    """Blocks of a steady signal with a meter's pulses, and the same with a fault."""
    spoil = Spoiler(fault, at, DEVICE, SCALES, np.random.default_rng(1))
    plain = []
    for k in range(n):
        last = (k + 1) * SCANS * 2000
        edges = int(last * 1e-6 * hertz)
        values = np.tile(np.array([1400, 500], np.int16), (SCANS, 1))
        values[:, 0] += np.arange(SCANS, dtype=np.int16) % 3
        plain.append(
            Block(
                1, k * SCANS * 2000 + 2000, k * SCANS, values, np.array([edges]), np.array([int(edges / hertz * 1e6)])
            )
        )
    return plain, [spoil(b) for b in plain]


@pytest.mark.parametrize(
    ("kind", "size", "expected"),
    [(Kind.GAIN, -0.2, 400 + 0.8 * 1001), (Kind.OFFSET, 0.1, 1501), (Kind.REVERSED, 0.0, 0.0)],
)
def test_counts_are_changed_from_the_moment_on(kind: Kind, size: float, expected: float) -> None:
    plain, spoilt = blocks(Fault("pressure", kind, size), at=0.06)
    assert (spoilt[0].values == plain[0].values).all()
    assert (spoilt[1].values[:10] == plain[1].values[:10]).all()
    assert spoilt[2].values[:, 0].mean() == pytest.approx(expected, abs=1.0)
    assert all((s.values[:, 1] == p.values[:, 1]).all() for s, p in zip(spoilt, plain, strict=True))


def test_a_stuck_count_and_one_that_flickers() -> None:
    _, stuck = blocks(Fault("pressure", Kind.STUCK), at=0.04)
    _, flickers = blocks(Fault("pressure", Kind.STUCK_NOISE), at=0.04)
    assert len(set(stuck[2].values[:, 0].tolist())) == 1
    assert len(set(flickers[2].values[:, 0].tolist())) == 2


def test_swapped_channels_change_places() -> None:
    plain, spoilt = blocks(Fault("pressure", Kind.SWAPPED, 0.0, "current"), at=0.0)
    assert (spoilt[1].values == plain[1].values[:, ::-1]).all()


@pytest.mark.parametrize(("size", "share"), [(-0.2, 0.8), (0.25, 1.25)])
def test_a_meters_gain_changes_its_pulses(size: float, share: float) -> None:
    plain, spoilt = blocks(Fault("flow", Kind.GAIN, size), at=0.0, n=50)
    assert int(spoilt[-1].edges[0]) == pytest.approx(share * int(plain[-1].edges[0]), rel=0.03)
    lasts = [int(b.last_edge[0]) for b in spoilt]
    assert lasts == sorted(lasts)
    assert lasts[-1] <= int(plain[-1].last_edge[0])
