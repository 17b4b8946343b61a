"""What two stands of one daemon must not share.

By MQTT 5.0, section 3.1.4, a broker throws out the first of two clients of one name.
"""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from daq.catalogue.load import load_stand
from daq.catalogue.stand_file import StandConfig
from daq.watch.clash import ClashError, refuse_clashes
from drivers.device import AddressError

CONFIG = Path(__file__).parents[3] / "config"
Make = Callable[..., StandConfig]


@pytest.fixture
def make() -> Make:
    stand = load_stand(CONFIG)

    def made(name: str, site: str = "marrow-hill", **more: Any) -> StandConfig:
        usual = {"device": f"serial:///dev/{name}", "path": Path(f"{name}.toml")}
        return replace(stand, stand=replace(stand.stand, site=site, name=name), **{**usual, **more})

    return made


def test_stands_that_share_nothing_but_the_database(make: Make) -> None:
    refuse_clashes([make("bench-1"), make("bench-2"), make("bench-1", "hollow-lane", device="tcp://10.0.0.9:7000")])


def test_simulations_and_replays_are_each_their_own(make: Make) -> None:
    refuse_clashes([make(name, device="sim://depot/good-pump") for name in ("bench-1", "bench-2")])


@pytest.mark.parametrize(
    ("one", "other", "told"),
    [
        ({}, {"name": "bench-1", "device": "tcp://a:1"}, "found marrow-hill/bench-1 twice"),
        (
            {},
            {"device": "serial:///dev/bench-1?baud=9600"},
            "expected a device for each stand, found serial:///dev/bench-1 twice",
        ),
        (
            {"device": "tcp://Stand:7"},
            {"device": "tcp://stand:7"},
            "expected a device for each stand, found tcp://stand:7 twice",
        ),
        ({"site": "a-b", "name": "c"}, {"site": "a", "name": "b-c"}, "found steadyhead-a-b-c for both"),
    ],
)
def test_what_clashes(make: Make, one: dict[str, Any], other: dict[str, Any], told: str) -> None:
    pair = [make(**{"name": "bench-1", **one}), make(**{"name": "bench-2", **other})]
    with pytest.raises(ClashError, match=r"\w.toml and \S+.toml: expected") as raised:
        refuse_clashes(pair)
    assert told in str(raised.value)
    assert len(str(raised.value).splitlines()) == 1


def test_a_port_by_another_name(make: Make, tmp_path: Path) -> None:
    port, name = tmp_path / "port", tmp_path / "by-id"
    port.touch()
    name.symlink_to(port)
    pair = [make("bench-1", device=f"serial://{port}"), make("bench-2", device=f"serial://{name}")]
    with pytest.raises(ClashError, match=r"found serial://.*/port twice"):
        refuse_clashes(pair)


def test_all_is_told_at_once(make: Make) -> None:
    with pytest.raises(ClashError) as raised:
        refuse_clashes([make("bench-1")] * 3)
    assert len(str(raised.value).splitlines()) == 3 * 2


def test_an_address_that_is_none(make: Make) -> None:
    with pytest.raises(AddressError, match="expected SCHEME://PLACE"):
        refuse_clashes([make("bench-1", device="nowhere"), make("bench-2")])
