"""A daemon around a stand: what it hands to the broker's connection, and what it refuses before it begins."""

from dataclasses import replace
from pathlib import Path

import pytest

from daq.catalogue.stand_file import Broker, StandConfig
from daq.stand.daemon import broker_of
from daq.stand.errors import StandError


def test_all_that_the_configuration_says_of_a_broker_is_used(config: StandConfig, tmp_path: Path) -> None:
    password = tmp_path / "password"
    password.write_text("lamp oil\nnot this\n")
    ca, cert, key = (tmp_path / name for name in ("ca.pem", "bench.pem", "bench.key"))
    said = Broker("broker.example", 8883, True, "3.1.1", "bench-1", password, ca, cert, key)
    used = broker_of(replace(config, broker=said))
    assert (used.host, used.port, used.tls, used.version) == ("broker.example", 8883, True, "3.1.1")
    assert (used.username, used.password) == ("bench-1", "lamp oil")
    assert (used.ca_file, used.cert_file, used.key_file) == (str(ca), str(cert), str(key))


@pytest.mark.parametrize("content", [None, b"", b"\nsecond line\n", b"  \n", b"\xff\xfe\n"])
def test_a_password_file_that_holds_none(config: StandConfig, tmp_path: Path, content: bytes | None) -> None:
    file = tmp_path / "password"
    if content is not None:
        file.write_bytes(content)
    with pytest.raises(StandError, match=r"broker\.password_file .*/password: expected a file whose first line"):
        broker_of(replace(config, broker=replace(config.broker, password_file=file)))
