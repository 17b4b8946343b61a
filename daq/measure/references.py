"""The references of a device: what its channels are measured against, and whether each is what it is said to be.

A reading is a comparison. A ratiometric transducer is compared with its excitation, a current with a shunt at its
temperature, every count with the converter's reference. A reference that is wrong spoils a channel that looks healthy
in every other way, so each measured one must agree with its nominal value and with itself over the run. What stays
within these limits cannot be found out, and is an uncertainty of the channels that rest on it (JCGM 100:2008, 4.3.7).
"""

import math
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daq.measure.channels import Channels, PressureKind, RailInput
from daq.measure.uncertainty import Component
from drivers.block import AnalogInput, Block, Identity, Role

WINDOW_S = 0.5
"""A reference is compared by its mean over so long: half of the shortest window that is read."""
REST_S = 5.0
"""Its own value is the mean over so long, until the zero is taken."""
STRAY = 6.0
"""A mean strays from its expectation by no more than so many of its standard deviations, in any number of runs."""
LIVELY = 0.5
"""A reference with a standard deviation of so many converter steps does not stand still by chance …"""
SOON_S, TIMES = 0.4, 10.0
"""… for so long, nor for so many times the longest standstill before the zero was taken."""
REJECTION = 0.01
"""Converter and amplifiers pass on at most this share of what their supply does: 40 dB, common practice, no source."""

_RAILS = {Role.REFERENCE_VOLTAGE: ("reference voltage", 1.0), Role.CONVERTER_SUPPLY: ("converter supply", REJECTION)}
"""The name of each fixed voltage, and the share of its error that gets into a reading."""
EXCITATION, SHUNT_TEMPERATURE = "excitation", "shunt temperature"
_ALL = ("pressure", "voltage", "current", "temperature", "level")
_KELVIN = 273.15


@dataclass(frozen=True, slots=True)
class Reference:
    """A measured reference: value = `slope` × (count − `zero_count`) + `offset` of the device's channel `k`, in V or K.

    It must lie within `tolerance` of `nominal` and within `drift` of itself, both in its own unit. `channels` rest on
    it, and a reading changes by the share `effect` with each V or K.
    """

    name: str
    k: int
    zero_count: int
    slope: float
    offset: float
    nominal: float
    tolerance: float
    drift: float
    channels: tuple[str, ...]
    effect: float
    do: str
    unit: str = "V"

    def shown(self, value: float) -> str:
        return f"{value:.3f} V" if self.unit == "V" else f"{value - _KELVIN:.1f} °C"

    def within(self, half_width: float) -> str:
        return f"{half_width:.3f} V" if self.unit == "V" else f"{half_width:.1f} K"


@dataclass(frozen=True, slots=True)
class Disagreement:
    """A reference that cannot be believed: `name`, the `channels` that rest on it, what was expected and found, what to
    do."""

    name: str
    channels: tuple[str, ...]
    text: str
    do: str


class References:
    """Follows the measured references of one device through blocks of counts. `found` is the first disagreement."""

    def __init__(self, fitted: Sequence[Reference], sample_hz: int) -> None:
        self._watches = [_Watch(reference, sample_hz) for reference in fitted]
        self.found: Disagreement | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """The references that are measured."""
        return tuple(watch.reference.name for watch in self._watches)

    def feed(self, block: Block) -> tuple[str, ...]:
        """Takes a block of counts; gives the channels that rest on a reference that disagrees in it."""
        spoilt: tuple[str, ...] = ()
        for watch in self._watches:
            wrong = watch.feed(block.values[:, watch.reference.k])
            if wrong:
                reference = watch.reference
                self.found = self.found or Disagreement(reference.name, reference.channels, wrong, reference.do)
                spoilt += reference.channels
        return spoilt

    def level(self, name: str) -> float | None:
        """What a reference is now, in V or K, by its mean over the newest `WINDOW_S`; None where it is not measured."""
        return next((watch.level for watch in self._watches if watch.reference.name == name), None)

    def settle(self) -> None:
        """The last `REST_S` seconds were rest: from now on each reference must stay what it was then."""
        for watch in self._watches:
            watch.settle()

    def settle_once(self) -> None:
        """As `settle`, for a run that goes on without a zero; one that has a zero keeps what was at rest."""
        if not all(watch.settled for watch in self._watches):
            self.settle()

    def doubts(self, channel: str, value: float, beyond_zero: float) -> Iterator[Component]:
        """What may be wrong with the references of a channel without being found out.

        An error that was there when the zero was taken counts in proportion to the reading's distance from the zero,
        `value`; one that came later to the sensor's whole output, `beyond_zero` (both SI).
        """
        for watch in self._watches:
            reference = watch.reference
            if channel in reference.channels:
                share, name = reference.effect, reference.name
                yield Component.rectangular(name, share * reference.tolerance, value, common=True, about="share")
                since = f"{name} since the zero"
                yield Component.rectangular(since, share * watch.limit, beyond_zero, about="share")


class _Tail:
    """Sums over the newest `scans` scans in whole blocks. Counts are whole numbers, so that nothing is rounded."""

    def __init__(self, scans: int) -> None:
        self.scans = scans
        self.blocks: deque[tuple[int, float, float]] = deque()
        self.n, self._sum, self._squares = 0, 0.0, 0.0

    def add(self, n: int, total: float, squares: float) -> None:
        self.blocks.append((n, total, squares))
        self._count(n, total, squares)
        while self.n - self.blocks[0][0] >= self.scans:
            first = self.blocks.popleft()
            self._count(-first[0], -first[1], -first[2])

    def _count(self, n: int, total: float, squares: float) -> None:
        self.n, self._sum, self._squares = self.n + n, self._sum + total, self._squares + squares

    @property
    def full(self) -> bool:
        return self.n >= self.scans

    @property
    def mean(self) -> float:
        return self._sum / self.n

    @property
    def scatter(self) -> float:
        """The standard deviation of a scan."""
        return math.sqrt(max(self._squares / self.n - self.mean**2, 0.0))

    def scatter_of_means(self, scans: int) -> float:
        """The standard deviation of means over `scans` scans, 0 where there are fewer than three."""
        means, n, total = list[float](), 0, 0.0
        for size, part, _ in self.blocks:
            n, total = n + size, total + part
            if n >= scans:
                means.append(total / n)
                n, total = 0, 0.0
        return float(np.std(means, ddof=1)) if len(means) >= 3 else 0.0


class _Watch:
    """One reference of one run."""

    def __init__(self, reference: Reference, sample_hz: int) -> None:
        self.reference = reference
        self._step = abs(reference.slope)
        self._window = _Tail(max(1, round(WINDOW_S * sample_hz)))
        self._rest = _Tail(max(1, round(REST_S * sample_hz)))
        self._hz = sample_hz
        self._own: float | None = None
        self.limit = reference.drift + self._step
        self._last: float | None = None
        self._still = self._longest = 0
        self._standstill = math.inf

    @property
    def level(self) -> float:
        return self._value(self._window.mean)

    @property
    def settled(self) -> bool:
        return self._own is not None

    def settle(self) -> None:
        if not self._rest.n:
            return
        scatter = self._rest.scatter
        of_means = max(scatter / math.sqrt(self._window.scans), self._rest.scatter_of_means(self._window.scans))
        self._own = self._value(self._rest.mean)
        self.limit = self.reference.drift + self._step * (1.0 + STRAY * of_means)
        lively = scatter >= LIVELY
        self._standstill = max(SOON_S * self._hz, TIMES * self._longest) if lively else math.inf

    def feed(self, counts: NDArray[np.int16] | NDArray[np.float64]) -> str:
        """What is wrong with the reference at the end of these counts; empty for nothing."""
        values = counts.astype(np.float64) - self.reference.zero_count
        piece = len(values), float(values.sum()), float(values @ values)
        self._window.add(*piece)
        self._rest.add(*piece)
        self._stand_still(values)
        return self._wrong() if self._window.full else ""

    def _value(self, counts: float) -> float:
        return self.reference.slope * counts + self.reference.offset

    def _stand_still(self, values: NDArray[np.float64]) -> None:
        moved = values[0] != self._last or bool((values != values[0]).any())
        if moved:
            self._longest, self._still = max(self._longest, self._still), 0
        else:
            self._still += len(values)
        self._last = float(values[-1])

    def _wrong(self) -> str:
        """Compared in this order: with the nominal value, with itself, and whether it moves at all."""
        r, now = self.reference, self.level
        if abs(now - r.nominal) > r.tolerance + 0.5 * self._step:
            return f"expected {r.shown(r.nominal)} ± {r.within(r.tolerance)}, found {r.shown(now)}"
        if self._own is not None and abs(now - self._own) > self.limit:
            stays = f"{r.shown(self._own)} as while the zero was taken, ± {r.within(self.limit)}"
            return f"expected {stays}, found {r.shown(now)}"
        if self._still > self._standstill:
            return f"expected a signal that scatters as at rest, found {r.shown(now)} without any change"
        return ""


def references_of(channels: Channels, identity: Identity) -> list[Reference]:
    """The references that a device measures and the stand's configuration describes."""
    found = [
        _excitation(channels, identity),
        _shunt_temperature(channels, identity),
        _rail(channels, identity, Role.REFERENCE_VOLTAGE, channels.reference),
        _rail(channels, identity, Role.CONVERTER_SUPPLY, channels.supply),
    ]
    return [reference for reference in found if reference is not None]


def _input(identity: Identity, role: Role) -> tuple[int, AnalogInput] | None:
    """The device's channel of a role, None where it has none or one that states quantities."""
    k = identity.analog_index(role)
    return None if k is None or identity.analog[k].volts_per_count == 0.0 else (k, identity.analog[k])


def measures_excitation(channels: Channels, identity: Identity) -> bool:
    """Tells whether pressure is read as a share of an excitation that the device measures."""
    ratio = channels.pressure.kind is PressureKind.RATIOMETRIC
    return ratio and _input(identity, Role.EXCITATION) is not None


def _excitation(channels: Channels, identity: Identity) -> Reference | None:
    p, found = channels.pressure, _input(identity, Role.EXCITATION)
    if found is None or not measures_excitation(channels, identity):
        return None
    k, raw = found
    return Reference(
        name=EXCITATION,
        k=k,
        zero_count=raw.zero_count,
        slope=raw.volts_per_count / p.excitation_gain,
        offset=0.0,
        nominal=p.excitation,
        tolerance=p.excitation_tolerance * p.excitation,
        drift=p.excitation_drift * p.excitation,
        channels=("pressure",),
        effect=1.0 / p.excitation,
        do="measure the transducer's excitation with a voltmeter: if it is as found, mend that supply, or correct "
        "`excitation` in [channel.pressure] if it is meant to be so; if not, mend the wire or divider that measures it",
    )


def _shunt_temperature(channels: Channels, identity: Identity) -> Reference | None:
    warm, shunt, found = channels.temperature, channels.shunt, _input(identity, Role.AMBIENT_TEMPERATURE)
    if found is None or warm is None or shunt.alpha == 0.0:
        return None
    k, raw = found
    return Reference(
        name=SHUNT_TEMPERATURE,
        k=k,
        zero_count=raw.zero_count,
        slope=raw.volts_per_count / warm.volts_per_kelvin,
        offset=_KELVIN - warm.volts_at_zero_celsius / warm.volts_per_kelvin,
        nominal=shunt.assumed_temperature,
        tolerance=shunt.temperature_doubt,
        drift=shunt.temperature_drift,
        channels=("current",),
        effect=shunt.alpha,
        do="look at the shunt and at the sensor of its temperature; if the shunt is as warm as found and may be, "
        "correct `assumed_temperature` and `assumed_within` in [channel.current]",
        unit="K",
    )


def _rail(channels: Channels, identity: Identity, role: Role, rail: RailInput | None) -> Reference | None:
    """A fixed voltage: all that is counted rests on it, but for a pressure that is a ratio of two counts."""
    found, (name, share) = _input(identity, role), _RAILS[role]
    if found is None or rail is None:
        return None
    k, raw = found
    ratio = role is Role.REFERENCE_VOLTAGE and measures_excitation(channels, identity)
    return Reference(
        name=name,
        k=k,
        zero_count=raw.zero_count,
        slope=raw.volts_per_count / rail.gain,
        offset=0.0,
        nominal=rail.nominal,
        tolerance=rail.tolerance * rail.nominal,
        drift=rail.drift * rail.nominal,
        channels=_ALL[1:] if ratio else _ALL,
        effect=share / rail.nominal,
        do=f"measure the {name} at the device with a voltmeter; look at its supply and its load, then at the converter",
    )
