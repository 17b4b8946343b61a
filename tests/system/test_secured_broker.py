"""A plant's broker as deploy/mosquitto ships it: who gets in, who does not, and what each may write and read.

What the reason codes mean is OASIS MQTT Version 5.0 (2019), 3.2.2.2, 3.4.2.1 and 3.9.3.
"""

import asyncio
import json
import ssl
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from daq.catalogue.load import load_catalogue, load_stand
from daq.catalogue.stand_file import Broker as StandBroker
from daq.publish.errors import BrokerError, BrokerRefusesError, RefusedError
from daq.publish.mqtt import Broker, Connection, Will, connect
from daq.record.engine import sqlite_url
from daq.stand.daemon import Daemon
from tests.conftest import Mosquitto
from tests.system.bench import program
from tests.system.records import CONFIG
from tests.system.secured import CLIENTS, HOST, Plant, commands, shell, sign

SITE = "steadyhead/v1/marrow-hill"


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Plant]:
    """A broker with accounts and certificates made by the page's own commands, and a stranger's authority beside."""
    folder = tmp_path_factory.mktemp("plant")
    shell("\n".join(commands()[:4]), folder)
    shell("openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -noenc -subj /CN=stranger -keyout other.key "
          "-out other-ca.pem", folder)  # fmt: skip
    sign(folder, "bench-1", "strange", ca="other-ca.pem", key="other.key")
    sign(folder, "bench-1", "old", days=-1)
    (folder / "broker").mkdir()
    made = Plant(folder, Mosquitto(folder / "broker"))
    made.start()
    yield made
    made.broker.stop()


async def trouble(broker: Broker) -> BrokerError:
    """What keeps a client out."""
    with pytest.raises(BrokerError) as caught:
        async with asyncio.timeout(60), connect(broker, "some-client"):
            pass
    return caught.value


async def next_of(connection: Connection, within: float = 2.0) -> tuple[str, bytes] | None:
    """The next message, None where nothing comes."""
    try:
        async with asyncio.timeout(within):
            async for message in connection.messages():
                return message.topic, message.payload
    except TimeoutError:
        pass
    return None


async def test_each_writes_what_is_its_own_and_hears_what_it_may(plant: Plant) -> None:
    async with (
        connect(plant.at("bench-1"), "bench-1", Will(f"{SITE}/bench-1/status", "lost")) as stand,
        connect(plant.at("line-1"), "line-1") as line,
        connect(plant.at("dashboard"), "dashboard") as screen,
    ):
        await stand.subscribe(f"{SITE}/bench-1/cmd/+")
        await line.subscribe(f"{SITE}/bench-1/#")
        await screen.subscribe(f"{SITE}/+/result")
        await line.send(f"{SITE}/bench-1/cmd/start", "please")
        assert await next_of(stand) == (f"{SITE}/bench-1/cmd/start", b"please")
        assert await next_of(line) == (f"{SITE}/bench-1/cmd/start", b"please")
        for topic in ("status", "meta", "stage", "verdict", "alarm/over_pressure", "result", "cmd/start/reply"):
            await stand.send(f"{SITE}/bench-1/{topic}", topic)
            assert await next_of(line) == (f"{SITE}/bench-1/{topic}", topic.encode())
        for topic in ("live", "heartbeat"):
            await stand.send_unacknowledged(f"{SITE}/bench-1/{topic}", topic)
            assert await next_of(line) == (f"{SITE}/bench-1/{topic}", topic.encode())
        assert await next_of(screen) == (f"{SITE}/bench-1/result", b"result")


@pytest.mark.parametrize(
    ("user", "topic"),
    [
        ("bench-1", "bench-2/result"),
        ("bench-1", "bench-2/verdict"),
        ("bench-1", "bench-1/cmd/start"),
        ("bench-1", "bench-1/anything"),
        ("dashboard", "bench-1/verdict"),
        ("dashboard", "bench-1/cmd/start"),
        ("line-1", "bench-1/verdict"),
        ("line-1", "bench-1/cmd/start/reply"),
        ("line-1", "bench-2/cmd/start"),
    ],
)
async def test_nobody_writes_what_is_not_its_own(plant: Plant, user: str, topic: str) -> None:
    async with connect(plant.at(user), user) as connection:
        with pytest.raises(RefusedError, match=rf"{topic}: Not authorized \(0x87\); let user {user} write there"):
            await connection.send(f"{SITE}/{topic}", "pass")


async def test_mqtt_3_cannot_say_that_it_dropped_a_message(plant: Plant) -> None:
    """Why the page asks for MQTT 5: a denied message is acknowledged (OASIS MQTT Version 3.1.1, 3.3.5), and gone."""
    async with (
        connect(plant.at("bench-1", version="3.1.1"), "bench-1") as stand,
        connect(plant.at("dashboard"), "dashboard") as screen,
    ):
        await screen.subscribe(f"{SITE}/+/result")
        await stand.send(f"{SITE}/bench-2/result", "pass")
        await stand.send(f"{SITE}/bench-1/result", "pass")
        assert await next_of(screen) == (f"{SITE}/bench-1/result", b"pass")
        assert await next_of(screen, 0.1) is None


async def test_a_daemon_works_with_it(plant: Plant, tmp_path: Path) -> None:
    """Its stand's file as the page has it: the line starts a run, the dashboard sees it begin and the daemon go."""
    shipped = load_stand(CONFIG)
    files = [plant.folder / name for name in ("bench-1.password", "plant-ca.pem", "bench-1.pem", "bench-1.key")]
    broker = StandBroker(HOST, plant.broker.port, True, "5", "bench-1", *files)
    config = replace(shipped, broker=broker, data=tmp_path, database=sqlite_url(tmp_path / "records.db"))
    config = replace(config, device="sim://depot/good-pump")
    daemon, stop = Daemon(config, load_catalogue(CONFIG, shipped.stand), lambda _: None), asyncio.Event()
    base = f"{SITE}/bench-1"
    async with connect(plant.at("line-1"), "line-1") as line, connect(plant.at("dashboard"), "dashboard") as screen:
        await screen.subscribe(f"{base}/status")
        await line.subscribe(f"{base}/#")
        working = asyncio.create_task(daemon.run(stop))
        await until_says(line, f"{base}/stage", ready=True)
        request = {"request_id": "plc4-1", "valid_ms": 5000, "part": "MH-2101"}
        await line.send(f"{base}/cmd/start", json.dumps(request))
        reply = await until_says(line, f"{base}/cmd/start/reply", request_id="plc4-1")
        assert reply["state"] == "accepted"
        stop.set()
        await working
        await until_says(line, f"{base}/result", id=reply["run"])
        for state in ("online", "offline"):
            await until_says(screen, f"{base}/status", state=state)


async def until_says(connection: Connection, topic: str, **fields: object) -> dict[str, Any]:
    """The next message on a topic that has these fields."""
    async with asyncio.timeout(60):
        async for message in connection.messages():
            if message.topic == topic and message.payload[:1] == b"{":
                body: dict[str, Any] = json.loads(message.payload)
                if all(body.get(key) == value for key, value in fields.items()):
                    return body
    raise AssertionError("the broker went away")


async def test_nobody_reads_what_is_not_meant_for_it(plant: Plant) -> None:
    """mosquitto grants the subscription and passes nothing on."""
    async with (
        connect(plant.at("bench-2"), "bench-2") as stand,
        connect(plant.at("line-1"), "line-1") as line,
        connect(plant.at("dashboard"), "dashboard") as screen,
    ):
        await stand.subscribe("#")
        await screen.subscribe(f"{SITE}/bench-1/cmd/#")
        await line.send(f"{SITE}/bench-1/cmd/start", "please")
        assert await asyncio.gather(next_of(stand, 0.3), next_of(screen, 0.3)) == [None, None]


async def test_whose_password_is_wrong_or_unknown_stays_out(plant: Plant) -> None:
    for broker in (plant.at("bench-1", password="guessed"), plant.at("bench-1", username="bench-9")):
        refused = await trouble(broker)
        assert isinstance(refused, BrokerRefusesError)
        assert "does not let us in: [code:135] Not authorized; check user name, password" in str(refused)
        assert "guessed" not in str(refused)
    assert isinstance(await trouble(plant.at("bench-1", username=None, password=None)), BrokerRefusesError)


@pytest.mark.parametrize("certificate", ["strange", "old", None])
async def test_whose_certificate_is_not_the_plants_stays_out(plant: Plant, certificate: str | None) -> None:
    """TLS 1.3 lets a client believe that it is in before the broker has looked (RFC 8446, 4.4.2.4 and 6.2)."""
    made = plant.at("bench-1", cert_file=None, key_file=None)
    if certificate is not None:
        made = plant.at("bench-1", cert_file=str(plant.folder / f"{certificate}.pem"))
    refused = await trouble(made)
    assert isinstance(refused, BrokerRefusesError)
    assert "alert" in str(refused)
    assert "cert_file" in str(refused)


async def test_a_broker_that_is_not_the_plants_gets_no_password(plant: Plant) -> None:
    """Another authority, another name."""
    other = await trouble(plant.at("bench-1", ca_file=str(plant.folder / "other-ca.pem")))
    assert "no TLS connection" in str(other)
    assert "certificate verify failed" in str(other)
    assert isinstance(other, BrokerRefusesError)
    named = await trouble(plant.at("bench-1", host="127.0.0.1"))
    assert "IP address mismatch" in str(named)


async def test_a_broker_whose_certificate_has_expired(plant: Plant, tmp_path: Path) -> None:
    sign(plant.folder, "broker", "expired", days=-1)
    old = Plant(plant.folder, Mosquitto(tmp_path))
    old.start("expired")
    try:
        assert "certificate has expired" in str(await trouble(old.at("bench-1")))
    finally:
        old.broker.stop()


def test_an_old_version_of_tls_stays_out(plant: Plant) -> None:
    """RFC 8996 lays TLS 1.0 and 1.1 aside."""
    command = ("openssl", "s_client", "-connect", f"{HOST}:{plant.broker.port}", "-CAfile", "plant-ca.pem")
    certificate = ("-cert", "bench-1.pem", "-key", "bench-1.key")
    ends = {}
    for version in ("-tls1_1", "-tls1_2"):
        words = (*command, *certificate, version, "-cipher", "ALL:@SECLEVEL=0", "-verify_return_error")
        done = subprocess.run(
            words, cwd=plant.folder, input="", capture_output=True, text=True, timeout=60, check=False
        )
        ends[version] = done.returncode
    assert ends == {"-tls1_1": 1, "-tls1_2": 0}
    assert ssl.OPENSSL_VERSION_INFO >= (1, 1, 1)


def test_mosquittos_own_clients_get_in_with_the_pages_words(plant: Plant) -> None:
    """As the page ends: a retained status is read by the dashboard."""
    where = ("-h", HOST, "-p", str(plant.broker.port), "--cafile", "plant-ca.pem")

    def words(user: str) -> tuple[str, ...]:
        password = (plant.folder / f"{user}.password").read_text().strip()
        return (*where, "--cert", f"{user}.pem", "--key", f"{user}.key", "-u", user, "-P", password)

    topic = f"{SITE}/bench-2/status"
    publish = (program("mosquitto_pub"), *words("bench-2"), "-r", "-q", "1", "-t", topic, "-m", "there")
    subprocess.run(publish, cwd=plant.folder, check=True, timeout=5)
    read = (program("mosquitto_sub"), *words("dashboard"), "-C", "1", "-W", "3", "-t", topic)
    done = subprocess.run(read, cwd=plant.folder, capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout == "there\n"


def test_keys_and_passwords_are_for_their_owner_only(plant: Plant) -> None:
    for name in (
        "ca.key",
        "broker.key",
        "steadyhead-passwords",
        *(f"{c}.{e}" for c in CLIENTS for e in ("key", "password")),
    ):
        assert (plant.folder / name).stat().st_mode & 0o077 == 0
    for line in (plant.folder / "steadyhead-passwords").read_text().splitlines():
        assert ":$7$" in line  # only what proves them
