"""A broker of a plant, set up by what deploy/mosquitto ships and by the commands of its page, on loopback."""

import getpass
import re
import subprocess
from dataclasses import dataclass, replace
from pathlib import Path

from daq.publish.mqtt import Broker
from tests.conftest import Mosquitto

SHIPPED = Path(__file__).parents[2] / "deploy" / "mosquitto"
PAGE = (SHIPPED / "README.md").read_text(encoding="utf-8")
HOST = "localhost"
CLIENTS = ("bench-1", "bench-2", "line-1", "dashboard")


def shell(commands: str, folder: Path) -> None:
    """Runs commands as a person would who follows the page."""
    done = subprocess.run(["bash", "-euc", commands], cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def commands() -> list[str]:
    """The page's commands, whose broker is this machine."""
    blocks = re.findall(r"^```sh\n(.*?)^```", PAGE, re.MULTILINE | re.DOTALL)
    return [block.replace("DNS:broker.marrow-hill.example", f"DNS:{HOST}") for block in blocks]


def sign(
    folder: Path, request: str, made: str, *, days: int = 365, ca: str = "plant-ca.pem", key: str = "ca.key"
) -> None:
    """A certificate for a request that lies there, such as one that has expired (days below 0)."""
    shell(
        f"openssl x509 -req -in {request}.csr -CA {ca} -CAkey {key} -days {days} -copy_extensions copy -out {made}.pem",
        folder,
    )


@dataclass(frozen=True, slots=True)
class Plant:
    """Certificates and passwords in `folder`, and the broker that takes them."""

    folder: Path
    broker: Mosquitto

    def start(self, certificate: str = "broker") -> None:
        """Starts the broker from Debian's main file and the shipped one, in which only places are others."""
        etc = self.broker.folder
        places = {
            "listener 8883": f"listener {self.broker.port} 127.0.0.1",
            "/etc/mosquitto/certs/broker.pem": f"{self.folder}/{certificate}.pem",
            "/etc/mosquitto/certs/": f"{self.folder}/",
            "/etc/mosquitto/steadyhead-passwords": f"{self.folder}/steadyhead-passwords",
            "/etc/mosquitto/steadyhead-rights": str(SHIPPED / "steadyhead-rights"),
        }
        text = (SHIPPED / "steadyhead.conf").read_text(encoding="utf-8")
        for place, here in places.items():
            assert place in text
            text = text.replace(place, here)
        (etc / "conf.d").mkdir(exist_ok=True)
        (etc / "conf.d" / "steadyhead.conf").write_text(text)
        # What Debian 12's own file says: persistence, and where the folder for additions is.
        (etc / "mosquitto.conf").write_text(
            f"user {getpass.getuser()}\npersistence true\npersistence_location {etc}/\n"
            f"log_dest stderr\ninclude_dir {etc}/conf.d\n"
        )
        self.broker.start()

    def at(self, user: str, **changes: str | None) -> Broker:
        """How `user` gets in, as the page says it."""
        password = (self.folder / f"{user}.password").read_text().strip()
        there = Broker(
            HOST,
            self.broker.port,
            username=user,
            password=password,
            tls=True,
            ca_file=str(self.folder / "plant-ca.pem"),
            cert_file=str(self.folder / f"{user}.pem"),
            key_file=str(self.folder / f"{user}.key"),
        )
        return replace(there, **changes)  # type: ignore[arg-type]
