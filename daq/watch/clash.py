"""Whether several stands can be worked by one daemon: what two of them must not share."""

from collections.abc import Iterator, Sequence
from itertools import combinations
from pathlib import Path

from daq.catalogue.stand_file import StandConfig
from daq.publish.topics import Topics
from daq.stand.daemon import NOT_HARDWARE
from daq.stand.errors import StandError
from drivers.device import Address


class ClashError(StandError):
    """Two stands would get in each other's way."""


def refuse_clashes(configs: Sequence[StandConfig]) -> None:
    """Each stand has a name, a device and a name at its broker of its own. The records may lie together.

    Raises:
        ClashError: two of them do not; the text names both files, a line for each thing.
        AddressError: a device's address is none.
    """
    found = [text for one, other in combinations(configs, 2) for text in _clashes(one, other)]
    if found:
        raise ClashError("\n".join(found))


def _clashes(one: StandConfig, other: StandConfig) -> Iterator[str]:
    where = f"{one.path} and {other.path}"
    name, another = (f"{c.stand.site}/{c.stand.name}" for c in (one, other))
    if name == another:
        yield f"{where}: expected a name for each stand, found {name} twice; give one of them another name"
    elif _at_broker(one) == _at_broker(other):
        yield (
            f"{where}: expected a name at the broker for each stand, found {_at_broker(one)[0]} for both, made of "
            "root, site and stand; give one of them another name"
        )
    device = _device(one)
    if device is not None and device == _device(other):
        yield f"{where}: expected a device for each stand, found {device} twice; correct the address of one"


def _at_broker(config: StandConfig) -> tuple[str, str, int]:
    """Two connections of one name throw each other out for ever: MQTT 5.0, section 3.1.4."""
    topics = Topics(config.root, config.stand.site, config.stand.name)
    return topics.client_id, config.broker.host, config.broker.port


def _device(config: StandConfig) -> str | None:
    """What only one can have: a port by the name that the system has for it. None for what each address makes anew."""
    address = Address.parse(config.device)
    if address.scheme in NOT_HARDWARE:
        return None
    place = str(Path(address.place).resolve()) if address.scheme == "serial" else address.place.lower()
    return f"{address.scheme}://{place}"
