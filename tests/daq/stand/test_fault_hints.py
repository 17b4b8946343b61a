"""The true cause of each simulated fault is among the first two hints of a run that the real core made.

Signs and causes are common practice, no source. Parts are those that ship; where a fault shows in nothing that they
require, a copy requires it.
"""

import asyncio
from dataclasses import replace
from pathlib import Path

import pytest

from daq.catalogue.load import load_catalogue, load_stand
from daq.judge.requirement import Quantity, Requirement
from daq.procedure.effects import CaptureWanted, Effect, Outcome, StageNow
from daq.procedure.plan import Part
from daq.procedure.run import Run
from drivers.block import Block, Capture, Event, Replayed, Status
from drivers.device import open_device
from simulator.driver import SimulatedDevice

CONFIG = Path(__file__).parents[3] / "config"
STAND = load_stand(CONFIG).stand
PARTS = load_catalogue(CONFIG, STAND)

SPEED = Requirement("speed", Quantity.SPEED, "free_flow", at_least=6700 / 60)
HOLDS = Requirement("holds", Quantity.RESIDUAL_PRESSURE, "residual", at_least=300e3, after=5.0)


def part(number: str, *more: Requirement) -> Part:
    """A part that ships with its commutator stated and something more required of it."""
    shipped = PARTS.part(number)
    return replace(shipped, requirements=(*shipped.requirements, *more), segments=8)


CASES = (
    ("weak-pump", part("MH-2101"), "worn pump"),
    ("worn", part("MH-2101"), "worn pump"),
    ("displacement-worn", part("MH-2207"), "worn pump"),
    ("seized", part("MH-2101"), "rotor seized"),
    ("dragging", PARTS.part("MH-2101"), "bearing drag"),
    ("dragging", part("MH-2101", SPEED), "bearing drag"),
    ("bad-segment", part("MH-2101"), "bad segment"),
    ("blocked-strainer", part("MH-2101"), "strainer blocked"),
    ("air", part("MH-2101"), "air drawn in"),
    ("leaking-check-valve", part("MH-2101", HOLDS), "check valve of the unit"),
    ("weak-relief", part("MH-2101"), "relief valve opens too early"),
    ("sagging-supply", part("MH-2101"), "the stand, not the unit: supply"),
    ("low-voltage", part("MH-2101"), "the stand, not the unit: supply"),
    ("never-fills", part("MH-3310"), "the jet"),
)
"""Units with a fault, the part that they are tested as, and how the true cause begins."""
GOOD = (
    ("good-pump", part("MH-2101", SPEED)),
    ("high-pressure", part("MH-2140")),
    ("displacement", part("MH-2207")),
    ("module", part("MH-3310")),
    ("module-return", part("MH-3325")),
)


async def outcome_of(unit: str, of: Part, seed: int = 1) -> Outcome:
    """A whole run in virtual time, the simulated person told what the run asks."""
    device = await open_device(f"sim://depot/{unit}?seed={seed}")
    assert isinstance(device, SimulatedDevice)
    run, captures = Run(of, STAND, device.identity, {}), []
    device.operator.hear(run.now.do.value)
    async for event in device.events():
        for effect in fed(run, event):
            if isinstance(effect, StageNow):
                device.operator.hear(effect.do.value)
            elif isinstance(effect, CaptureWanted):
                captures.append(asyncio.ensure_future(device.capture(effect.role, effect.rate_hz, effect.total)))
        if run.outcome is not None:
            break
    await asyncio.gather(*captures)
    await device.close()
    assert run.outcome is not None
    return run.outcome


def fed(run: Run, event: Event) -> list[Effect]:
    if isinstance(event, Block):
        return run.feed(event)
    if isinstance(event, Status):
        return run.status(event)
    if isinstance(event, Capture):
        return run.captured(event)
    return run.confirm(str(event.body["what"])) if isinstance(event, Replayed) else []


@pytest.mark.parametrize(("unit", "of", "cause"), CASES)
async def test_the_true_cause_is_among_the_first_two(unit: str, of: Part, cause: str) -> None:
    hints = (await outcome_of(unit, of)).hints
    assert any(h.cause.startswith(cause) for h in hints[:2]), [(h.cause, h.score) for h in hints]


@pytest.mark.parametrize(("unit", "of"), GOOD)
async def test_a_good_unit_has_no_hints(unit: str, of: Part) -> None:
    assert (await outcome_of(unit, of)).hints == ()
