"""What a driven stand needs before there may be power, and what it does without."""

import shlex
from pathlib import Path
from urllib.parse import quote

import pytest

from daq.stand.errors import RefusedError
from drivers import stand_link
from drivers.block import Feature, Input
from drivers.device import LimitEntry, Reply
from drivers.link.frames import ReplyCode
from tests import firmware_builds
from tests.daq.stand import driven as bench_module
from tests.daq.stand.driven import DrivenBench, driven

ALL = Input.STOP_CIRCUIT | Input.SPLASH_GUARD | Input.FLUID_LEVEL
FITTED = Feature.SIMULATED | Feature.POWER_SWITCH | Feature.VALVE_ACTUATOR


async def refused(stand: DrivenBench, *words: str) -> None:
    """A start is refused with these words, nothing has power, and nothing is recorded."""
    with pytest.raises(RefusedError) as error:
        await stand.bench.begin()
    for word in words:
        assert word in str(error.value)
    stand.bench.device.rig.run()
    assert stand.power.switched == []
    assert not stand.bench.device.bench.plant.powered


@pytest.mark.parametrize(
    ("features", "inputs"),
    [
        (FITTED & ~Feature.POWER_SWITCH, ALL),
        (FITTED & ~Feature.VALVE_ACTUATOR, ALL),
        (FITTED, ALL & ~Input.STOP_CIRCUIT),
        (FITTED, ALL & ~Input.SPLASH_GUARD),
        (FITTED, ALL & ~Input.FLUID_LEVEL),
    ],
)
async def test_what_is_not_fitted_bars_every_start(
    features: Feature, inputs: Input, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    argv = [*firmware_builds.host(), "--features", str(int(features)), "--inputs", str(int(inputs))]
    monkeypatch.setattr(bench_module, "program", lambda _: f"&firmware={quote(shlex.join(argv))}")
    async with driven(tmp_path) as stand:
        await refused(stand, "not_fitted", "setup device")


async def test_a_limit_that_the_device_cannot_see(tmp_path: Path) -> None:
    async with driven(tmp_path, pressure=2000e3) as stand:
        await refused(stand, "cannot start", "pressure")


async def test_limits_that_the_device_does_not_take(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async with driven(tmp_path) as stand:

        async def limits(blank_ms: int, max_on_s: int, entries: tuple[LimitEntry, ...]) -> Reply:
            return Reply(int(ReplyCode.BAD_VALUE), "refused: bad value")

        monkeypatch.setattr(stand.bench.device, "limits", limits)
        await refused(stand, "does not take its limits", "bad value")


async def test_limits_that_the_device_shows_otherwise(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its STATUS holds the check of the limits that it really has; it is compared with that of those sent."""
    async with driven(tmp_path) as stand:
        monkeypatch.setattr(stand_link, "limits_crc", lambda _: 0xBEEF)
        await refused(stand, "cannot start", "limits")


@pytest.mark.parametrize("firmware", ["python", "host", "avr"])
async def test_without_limits_no_firmware_gives_power(firmware: str, tmp_path: Path) -> None:
    async with driven(tmp_path, firmware) as stand:
        reply = await stand.bench.device.drive(power=True, valve=10_000, supply_mv=None, lease_ms=500)
        assert reply.code == ReplyCode.NO_LIMITS
        stand.bench.device.rig.run()
        assert not stand.bench.device.bench.plant.powered


@pytest.mark.parametrize("name", list(Input))
async def test_an_open_input_bars_a_start(name: Input, tmp_path: Path) -> None:
    async with driven(tmp_path) as stand:
        stand.bench.device.bench.open_input(name)
        for _ in range(3):
            stand.bench.device.rig.run()
        await refused(stand, "open")
