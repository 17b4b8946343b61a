"""A device that tripped: which trips wait for samples, and when the unit is to blame."""

import math
from dataclasses import replace

import pytest

from daq.judge.requirement import Quantity
from daq.measure.convert import BITS, Column
from daq.measure.flow import Flow
from daq.measure.steps import Step
from daq.procedure.guards import Breach, Guards
from daq.procedure.plan import Limits
from daq.procedure.tripping import DO, TOLD_WITHIN_S, Tripping
from drivers.block import Input, Status, Trip
from tests.daq.procedure.bench import pump

LIMITS = Limits(pressure=900e3, current=18.0)
FLOWS = Flow(3e-5, 3e-5, 3e-5)
STEP = Step(0, 0.0, 400e3, 13.5, 5.0, 295.0, 0.0, FLOWS, None, False, 0, 0, 400e3)
QUIET = Status(1, 0, True, False, True, True, False, 0, 13500, Input(0), Trip.NONE, 0, 0, 0)
BROKEN = {"faulty": BITS[Column.PRESSURE]}


def tripping() -> Tripping:
    return Tripping(Guards(pump(), LIMITS), LIMITS)


def steps(until: float, **last: object) -> list[Step]:
    """Steps of 50 ms, the last of which is as said."""
    made = [replace(STEP, number=k, t=0.05 * (k + 1)) for k in range(round(until / 0.05))]
    return [*made[:-1], replace(made[-1], **last)]  # type: ignore[arg-type]


def test_what_the_unit_cannot_have_caused_is_a_breach_at_once() -> None:
    for trip in set(DO) - {Trip.OVER_PRESSURE, Trip.OVER_CURRENT}:
        found = tripping().take(replace(QUIET, trip=trip), 3.0)
        assert found is not None
        name = trip.name.lower()
        assert (found.code, found.why) == (f"trip_{name}", f"trip: {name.replace('_', ' ')}")
        assert found.do == DO[trip] + "; the next start clears the trip if the cause is gone"
        assert (found.quantity, math.isnan(found.limit)) == (None, True)


def test_every_trip_has_something_that_a_person_does() -> None:
    assert set(DO) == set(Trip) - {Trip.NONE}
    assert len(set(DO.values())) == len(DO)


@pytest.mark.parametrize(
    ("trip", "quantity", "limit"),
    [(Trip.OVER_PRESSURE, Quantity.PRESSURE, 900e3), (Trip.OVER_CURRENT, Quantity.CURRENT, 18.0)],
)
def test_what_the_unit_may_have_caused_waits_for_the_step_that_shows_it(
    trip: Trip, quantity: Quantity, limit: float
) -> None:
    made, record = tripping(), steps(3.0, top=905e3)
    assert made.take(replace(QUIET, trip=trip), 3.0) is None
    assert made.feed(record[-2], record[:-1]) is None
    found = made.feed(record[-1], record)
    assert found is not None
    assert (found.quantity, found.limit) == (quantity, limit)
    assert found.code == f"trip_{trip.name.lower()}"


@pytest.mark.parametrize(("top", "blamed"), [(400e3, False), (805e3, False), (815e3, True), (905e3, True)])
def test_a_trip_over_pressure_that_no_sample_bears_out_blames_nobody(top: float, blamed: bool) -> None:
    """The device trips by the scans that it sends; a damaged frame may say anything."""
    made, record = tripping(), steps(3.0, top=top)
    made.take(replace(QUIET, trip=Trip.OVER_PRESSURE), 3.0)
    found = made.feed(record[-1], record)
    assert found is not None
    assert (found.code, found.quantity is Quantity.PRESSURE) == ("trip_over_pressure", blamed)


@pytest.mark.parametrize(
    ("before", "blamed"), [(0.0, False), (TOLD_WITHIN_S - 0.05, False), (TOLD_WITHIN_S + 0.05, True)]
)
def test_a_channel_that_broke_as_it_tripped_blames_nobody(before: float, blamed: bool) -> None:
    made, record = tripping(), steps(3.0, top=905e3)
    made.take(replace(QUIET, trip=Trip.OVER_PRESSURE), 3.0)
    spoilt = [replace(s, **BROKEN) if abs(s.t - (3.0 - before)) < 1e-6 else s for s in record]  # type: ignore[arg-type]
    found = made.feed(record[-1], spoilt)
    assert isinstance(found, Breach)
    assert (found.quantity is Quantity.PRESSURE) is blamed


def test_without_a_trip_there_is_no_breach_and_the_first_one_counts() -> None:
    made = tripping()
    assert made.take(QUIET, 1.0) is None
    assert made.feed(steps(1.0)[-1], steps(1.0)) is None
    made.take(replace(QUIET, trip=Trip.OVER_CURRENT), 2.0)
    assert made.take(replace(QUIET, trip=Trip.LEASE), 2.1) is None
    found = made.feed(steps(2.5)[-1], steps(2.5))
    assert found is not None
    assert found.why == "trip: over current"
