"""The unit that the service manager reads: sealed off as well as systemd's own measure asks, and free of mistakes."""

import re
import shutil
import subprocess
from pathlib import Path

UNIT = Path(__file__).parents[2] / "deploy" / "systemd" / "steadyhead.service"
MOST = 2.0
"""systemd-analyze(1) rates from 0 (sealed) to 10; a service that says nothing of sealing has 9.6."""


def analyze(*words: str) -> subprocess.CompletedProcess[str]:
    assert shutil.which("systemd-analyze"), "systemd-analyze is missing: apt-get install systemd"
    return subprocess.run(["systemd-analyze", *words], capture_output=True, text=True, check=False)


def exposure(unit: Path) -> float:
    said = analyze("security", "--offline=true", "--no-pager", str(unit))
    found = re.search(r"Overall exposure level for .*: ([0-9.]+)", said.stdout)
    assert found, said.stdout + said.stderr
    return float(found[1])


def test_the_service_is_sealed_off(tmp_path: Path) -> None:
    assert exposure(UNIT) < MOST
    # The measure measures: without its part on sealing the same unit is open.
    lines = UNIT.read_text(encoding="utf-8").splitlines()
    sealed = re.compile(r"(Protect|Private|Restrict|SystemCall|IPAddress|Device|Capab|NoNew|Memory|Lock|User|Remove)")
    bare = tmp_path / UNIT.name
    bare.write_text("\n".join(line for line in lines if not sealed.match(line)), encoding="utf-8")
    assert exposure(bare) > 4 * MOST


def test_the_unit_has_no_mistake(tmp_path: Path) -> None:
    program = tmp_path / "steadyhead"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    text = UNIT.read_text(encoding="utf-8").replace("/opt/steadyhead/.venv/bin/steadyhead", str(program))
    good, bad = tmp_path / UNIT.name, tmp_path / "bad.service"
    good.write_text(text, encoding="utf-8")
    bad.write_text(text.replace("WatchdogSec=60", "WatchdogSecs=60"), encoding="utf-8")
    said = analyze("verify", "--man=no", str(good))
    assert (said.returncode, said.stderr) == (0, "")
    assert "WatchdogSecs" in analyze("verify", "--man=no", str(bad)).stderr


def test_a_reload_and_a_watchdog_find_what_they_ask_of_the_daemon() -> None:
    text = UNIT.read_text(encoding="utf-8")
    assert re.search(r"^Type=notify$", text, re.M)
    assert re.search(r"^ExecReload=/bin/kill -HUP \$MAINPID$", text, re.M)
    assert re.search(r"^WatchdogSec=\d+$", text, re.M)
    assert re.search(r"^ExecStart=\S+/steadyhead serve( |$)", text, re.M)
