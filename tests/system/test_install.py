"""Setting the service up and taking it away again, in a folder that stands for the machine's root.

Python is the one of test_deploy.py that only notes what it is asked to do: what it would install is tried there, and by
`deploy/install --root DIR` itself, which takes a quarter of a minute with the real one.
"""

import os
import re
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

from daq.catalogue.load import check, load_stand
from tests.system.test_deploy import PYTHON, ROOT, program


@dataclass(frozen=True, slots=True)
class Machine:
    root: Path
    env: dict[str, str]

    def run(self, script: str, *words: str) -> subprocess.CompletedProcess[str]:
        command = [ROOT / "deploy" / script, "--root", self.root, *words]
        return subprocess.run(command, env=self.env, cwd="/", capture_output=True, text=True, check=False)

    def files(self) -> dict[str, tuple[int, bytes]]:
        """All files outside of the program, with mode and content."""
        found = (path for path in self.root.rglob("*") if path.is_file() and "opt" not in path.parts)
        return {str(path.relative_to(self.root)): (path.stat().st_mode & 0o777, path.read_bytes()) for path in found}


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    bin_, notes = tmp_path / "bin", tmp_path / "notes"
    notes.mkdir()
    for name in ("python3", *(f"python3.{minor}" for minor in range(11, 15))):
        program(bin_ / name, PYTHON)
    return Machine(tmp_path / "root", {"PATH": f"{bin_}:/usr/bin:/bin", "NOTES": str(notes), "HOME": ""})


def test_what_lies_where(machine: Machine) -> None:
    done = machine.run("install")
    assert done.returncode == 0, done.stderr
    files = machine.files()
    assert (
        files["etc/systemd/system/steadyhead.service"][1] == (ROOT / "deploy/systemd/steadyhead.service").read_bytes()
    )
    assert files["etc/sysusers.d/steadyhead.conf"][0] == 0o644
    assert files["etc/steadyhead/daemon.env"][0] == 0o640
    for name, (mode, _) in files.items():
        assert not name.startswith("etc/steadyhead/") or mode == 0o640, "whoever has no business with it cannot read it"
    assert (machine.root / "var/lib/steadyhead").stat().st_mode & 0o777 == 0o750
    link = machine.root / "usr/local/bin/steadyhead"
    unit = files["etc/systemd/system/steadyhead.service"][1].decode()
    assert f"ExecStart={link.readlink()} serve" in unit


def test_the_example_that_it_leaves_is_good_and_is_no_configuration(machine: Machine) -> None:
    machine.run("install")
    etc = machine.root / "etc" / "steadyhead"
    for example in (etc / "example", etc / "example" / "stand-driven.toml"):
        assert check(example) == []
        assert load_stand(example).example
        assert load_stand(example).data == Path("/var/lib/steadyhead")
    assert not (etc / "stand.toml").exists()
    assert list((etc / "parts").iterdir()) == []


def test_the_program_that_it_copies_is_whole(machine: Machine) -> None:
    machine.run("install")
    app = machine.root / "opt" / "steadyhead"
    words = [
        sys.executable,
        "-m",
        "daq.cli",
        "parts",
        "check",
        "--config",
        str(machine.root / "etc/steadyhead/example"),
    ]
    env = {name: value for name, value in os.environ.items() if name != "STEADYHEAD_CONFIG"}
    said = subprocess.run(words, cwd=app, env=env, capture_output=True, text=True, check=False)
    assert said.returncode == 0
    assert re.fullmatch(r"steadyhead: \S+/example/stand.toml: an example; .* invented\n", said.stderr)


def test_a_second_time_changes_nothing_and_keeps_what_was_written(machine: Machine) -> None:
    machine.run("install")
    stand = machine.root / "etc/steadyhead/stand.toml"
    stand.write_text("revision = 7", encoding="utf-8")
    (machine.root / "etc/steadyhead/parts/own.toml").write_text("revision = 3", encoding="utf-8")
    (machine.root / "etc/steadyhead/cautions.toml").write_text("# our own", encoding="utf-8")
    old = machine.root / "opt/steadyhead/daq/of_an_older_version.py"
    old.write_text("")
    before = machine.files()
    assert machine.run("install").returncode == 0
    assert machine.files() == before
    assert not old.exists()


def test_a_dry_run_says_all_and_does_nothing(machine: Machine) -> None:
    said = machine.run("install", "--dry-run")
    assert said.returncode == 0
    assert not machine.root.exists()
    for word in ("steadyhead.service", "make_environment", "stand.toml", "/opt/steadyhead", "var/lib/steadyhead"):
        assert word in said.stdout


def test_taking_it_away_leaves_records_and_configuration(machine: Machine) -> None:
    machine.run("install")
    (machine.root / "var/lib/steadyhead/records.db").write_text("years of work")
    machine.run("uninstall", "--dry-run")
    assert (machine.root / "opt/steadyhead").exists()
    done = machine.run("uninstall")
    assert done.returncode == 0
    left = sorted(machine.files())
    assert "var/lib/steadyhead/records.db" in left
    assert all(name.startswith(("etc/steadyhead/", "var/lib/steadyhead/")) for name in left)
    assert not (machine.root / "opt/steadyhead").exists()


@pytest.mark.parametrize("script", ["install", "uninstall"])
def test_an_option_that_there_is_not(machine: Machine, script: str) -> None:
    said = machine.run(script, "--purge")
    assert said.returncode == 1
    assert "found --purge" in said.stderr
    assert not machine.root.exists()


CONTAINER = (ROOT / "deploy/container/Containerfile").read_text(encoding="utf-8")


def test_the_container_copies_what_there_is_and_all_that_is_needed() -> None:
    copied = {word for line in re.findall(r"^COPY (.+)$", CONTAINER, re.M) for word in line.split()[:-1]}
    assert all((ROOT / name).exists() for name in copied)
    packages = re.search(r"packages = \[(.+?)\]", (ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    assert packages is not None
    needed = {name.strip(' "') for name in packages[1].split(",")}
    # What the packaging reads, and what ships beside the packages.
    assert needed | {"pyproject.toml", "README.md", "LICENSE", "config"} <= copied
    assert {"deploy/environment", "deploy/requirements.lock"} <= copied


def test_the_container_is_no_root_and_runs_what_the_environment_holds() -> None:
    user = re.search(r"^USER (\d+)$", CONTAINER, re.M)
    assert user is not None
    assert int(user[1]) != 0
    assert "make_environment requirements.lock" in CONTAINER
    assert 'ENTRYPOINT ["/opt/steadyhead/.venv/bin/steadyhead"]' in CONTAINER


@pytest.mark.parametrize(("status", "code"), [(200, 0), (503, 1)])
async def test_the_containers_health_is_what_the_probe_says(status: int, code: int) -> None:
    import asyncio
    import json

    from daq.watch.probe import PLAIN, Probe

    found = re.search(r"^HEALTHCHECK .*? CMD (\[.+\])$", CONTAINER, re.M)
    assert found is not None
    command = json.loads(found[1])
    port = re.search(r"STEADYHEAD_PROBE=(\d+)", CONTAINER)
    assert port is not None
    assert f"127.0.0.1:{port[1]}/live" in command[-1]
    probe = Probe({"/live": lambda: (status, PLAIN, b"")})
    asked = [sys.executable, *command[1:-1], command[-1].replace(port[1], str(await probe.start(0)))]
    process = await asyncio.create_subprocess_exec(*asked, stderr=asyncio.subprocess.DEVNULL)
    assert await process.wait() == code
    await probe.close()
