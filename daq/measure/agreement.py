"""Two readings of one channel in one run: do they agree, once what both share is left out?"""

from dataclasses import dataclass, replace

from daq.measure.reading import Reading
from daq.measure.uncertainty import Combined, Component, combine


@dataclass(frozen=True, slots=True)
class Agreement:
    """The second reading less the first, SI, and the uncertainty of that difference."""

    difference: float
    combined: Combined

    @property
    def agrees(self) -> bool:
        """Whether nothing but chance need be between them, at 95 %."""
        return abs(self.difference) <= self.combined.U


def agreement(first: Reading, second: Reading) -> Agreement:
    """Compares two readings that are no intervals.

    What is common to both, fully correlated, counts by the difference of what it does to each (JCGM 100:2008, 5.2.2): a
    wrong zero not at all, a wrong factor by how far the readings differ. The rest adds up.
    """
    shared = [c for c in first.combined.components if c.common]
    parts: list[Component] = [c for c in first.combined.components if not c.common]
    for c in second.combined.components:
        # A channel may state several doubts of one name; they keep their order.
        other = next((o for o in shared if c.common and o.source == c.source), None)
        if other is None:
            parts.append(c)
            continue
        shared.remove(other)
        parts.append(replace(c, standard=abs(c.signed - other.signed)))
    return Agreement(second.value - first.value, combine([c for c in (*parts, *shared) if c.standard > 0.0]))
