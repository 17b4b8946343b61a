"""`steadyhead setup check`: each line says ok, or what is wrong and what mends it."""

import json
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import date
from pathlib import Path

import pytest

from daq.catalogue.load import load_stand
from daq.cli import setup_checks
from daq.cli.setup_checks import Outcome, broker, calibration, database, device, disk
from tests.conftest import MakeBroker, Mosquitto
from tests.daq.cli.conftest import Command


def edit(config: Path, old: str, new: str) -> None:
    path = config / "stand.toml"
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def test_everything_in_order(steadyhead: Command, config: Path, mosquitto: Mosquitto) -> None:
    edit(config, "serial:///dev/ttyACM0", "sim://depot/good-pump")
    edit(config, ":1883", f":{mosquitto.port}")
    edit(config, "due = 2027", "due = 9999")
    ended = steadyhead("setup", "check", "--json")
    found = {outcome["what"]: outcome for outcome in json.loads(ended.stdout)}
    assert ended.exit_code == 0, found
    assert list(found) == ["configuration", "calibration", "device", "broker", "database", "disk"]
    assert found["device"]["found"].endswith("firmware 1.0.0, simulated")
    assert "no records yet; the first run makes them" in found["database"]["found"]
    assert "GB free" in found["disk"]["found"]


def test_what_is_wrong_is_said_with_what_mends_it(steadyhead: Command, config: Path, tmp_path: Path) -> None:
    edit(config, "serial:///dev/ttyACM0", f"serial://{tmp_path}/gone")
    with socket.create_server(("127.0.0.1", 0)) as unused:
        edit(config, ":1883", f":{unused.getsockname()[1]}")
    edit(config, "due = 2027", "due = 9999")
    ended = steadyhead("setup", "check")
    lines = {line.split("\t")[1]: line.split("\t") for line in ended.stdout.splitlines()}
    assert ended.exit_code == 70
    assert {what for what, line in lines.items() if line[0] == "WRONG"} == {"device", "broker"}
    assert f"{tmp_path}/gone: there is no such device" in lines["device"][2]
    assert lines["device"][3].startswith("steadyhead setup device --ports")
    assert "Connection refused" in lines["broker"][2]
    assert "mosquitto" in lines["broker"][3]


def test_mistakes_in_the_stand_end_the_check(steadyhead: Command, config: Path) -> None:
    edit(config, '"12 kPa"', '"12 L"')
    ended = steadyhead("setup", "check")
    assert ended.exit_code == 64
    assert [line.split("\t")[:2] for line in ended.stdout.splitlines()] == [["WRONG", "configuration"]]


def test_mistakes_in_a_part_do_not(steadyhead: Command, config: Path) -> None:
    (config / "parts" / "mh-2101.toml").write_text("", encoding="utf-8")
    lines = [line.split("\t") for line in steadyhead("setup", "check").stdout.splitlines()]
    assert {line[1] for line in lines} > {"configuration", "broker", "disk"}


def test_no_configuration(steadyhead: Command, tmp_path: Path) -> None:
    ended = steadyhead("setup", "check", "--config", str(tmp_path / "none"))
    assert ended.exit_code == 64
    assert ended.stdout.startswith(f"WRONG\tconfiguration\t{tmp_path}/none: expected a directory")


def test_calibration_that_is_overdue(config: Path) -> None:
    stand = load_stand(config)
    on_the_day = list(calibration(stand, date(2027, 9, 14)))
    assert on_the_day == [Outcome("calibration", True, "the next is due on 2027-09-14")]
    late = list(calibration(stand, date(2027, 9, 15)))
    assert [(o.ok, o.found) for o in late] == [
        (False, f"{name}: was due on 2027-09-14") for name in ("pressure", "current", "voltage")
    ]
    assert late[0].mend.startswith("have the channel calibrated, then edit [channel.pressure.calibration] in ")


async def test_an_address_that_no_driver_opens() -> None:
    outcome = await device("smoke:///signals")
    assert not outcome.ok
    assert "no driver for scheme 'smoke'" in outcome.found
    assert outcome.mend == "mend [device] address in stand.toml"


async def test_a_device_that_says_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(setup_checks, "DEVICE_S", 0.05)
    with answering(b"") as port:
        outcome = await device(f"tcp://127.0.0.1:{port}")
    assert not outcome.ok
    assert outcome.mend == "check power and cable of the device"


@contextmanager
def answering(answer: bytes) -> Iterator[int]:
    """A port on loopback that takes one connection, answers so, and waits for its end."""
    with socket.create_server(("127.0.0.1", 0)) as server:

        def serve() -> None:
            line, _ = server.accept()
            with line, suppress(ConnectionResetError):  # by a peer that has read enough
                line.sendall(answer)
                while line.recv(100):
                    pass

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        yield server.getsockname()[1]
        thread.join(5)
        assert not thread.is_alive()


async def test_a_broker_that_lets_nobody_in(config: Path, make_broker: MakeBroker) -> None:
    strict = make_broker(settings="allow_anonymous false")
    strict.start()
    edit(config, ":1883", f":{strict.port}")
    outcome = await broker(load_stand(config))
    assert not outcome.ok
    assert "does not let us in" in outcome.found
    assert outcome.mend == f"mend [broker] in {config / 'stand.toml'}"


async def test_a_password_that_is_not_there(config: Path) -> None:
    edit(config, '# password_file = "/etc/steadyhead/mqtt-password"', f'password_file = "{config}/none"')
    outcome = await broker(load_stand(config))
    assert not outcome.ok
    assert "expected a file whose first line is the password" in outcome.found


async def test_a_broker_elsewhere_is_started_there(config: Path) -> None:
    edit(config, "mqtt://127.0.0.1:1883", "mqtt://nowhere.invalid:1883")
    outcome = await broker(load_stand(config))
    assert not outcome.ok
    assert "nowhere.invalid:1883: no connection" in outcome.found
    assert outcome.mend == "mend [broker] url in stand.toml, or start the broker there"


def test_a_damaged_database(tmp_path: Path) -> None:
    (tmp_path / "records.db").write_bytes(b"not a database at all, but long enough to be read as a page" * 20)
    outcome = database(f"sqlite:///{tmp_path}/records.db")
    assert not outcome.ok
    assert "records.db" in outcome.found


def test_a_disk_that_is_nearly_full(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(setup_checks, "ENOUGH", 10**18)
    outcome = disk(tmp_path / "not" / "yet" / "there")
    assert not outcome.ok
    assert outcome.found.endswith("expected at least 1e+09 GB")
    assert outcome.mend == f"du -sh {tmp_path}/*   # make room"
