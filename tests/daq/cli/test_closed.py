"""An installed stand, seen by those who test and those who look: the group may read, others are told which group.

Root reads everything, so it gives up that right here (capabilities(7)); whoever else runs the tests is shut out of what
is his own.
"""

import grp
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from daq.record.store import Store
from tests.daq.cli.conftest import SHIPPED
from tests.daq.record.bench import finish, started

ROOT = os.geteuid() == 0
GROUP = grp.getgrnam("games")
OWNER = 4321
CAPABILITIES = "-dac_override,-dac_read_search"
Ask = Callable[..., subprocess.CompletedProcess[str]]


@pytest.fixture
def installed(tmp_path: Path) -> Path:
    """`etc` and `var` as an installation leaves them, with one run."""
    etc, var = tmp_path / "etc", tmp_path / "var"
    shutil.copytree(SHIPPED, etc)
    var.mkdir()
    with closing(Store(f"sqlite:///{var}/records.db")) as store:
        store.open()
        store.start_run(started(1))
        store.finish_run(started(1).run, finish(started(1), "pass"))
    (var / "run.rec").write_bytes(b"not read")
    for path in (etc, var, *etc.rglob("*"), *var.rglob("*")):
        path.chmod((0o750 if path.is_dir() else 0o640) if ROOT else 0)
        if ROOT:
            os.chown(path, OWNER, GROUP.gr_gid)
    yield tmp_path  # type: ignore[misc]
    for path in (etc, var):
        path.chmod(0o700)


def ask(*words: str, member: bool = False) -> subprocess.CompletedProcess[str]:
    """The program as somebody who is in the group, or not."""
    groups = ["--groups", str(GROUP.gr_gid)] if member else []
    less = ["setpriv", f"--bounding-set={CAPABILITIES}", f"--inh-caps={CAPABILITIES}", *groups] if ROOT else []
    command = [*less, sys.executable, "-m", "daq.cli", *words]
    return subprocess.run(command, capture_output=True, text=True, check=False)


CLOSED = [
    "parts list --config etc",
    "setup check --config etc",
    "run MH-2101 --config etc",
    "serve --config etc",
    "runs list --config etc",
    "runs list --data var",
    "runs show 1 --data var",
    "runs export --data var",
    "runs list --database sqlite:///var/records.db",
    "study repeats MH-2101 --data var",
    "replay 0196 --data var",
    "replay var/run.rec",
]


@pytest.mark.parametrize("words", CLOSED)
def test_who_may_not_read_is_told_what_to_do(installed: Path, words: str) -> None:
    said = ask(
        *(str(installed / word) if word[:4] in ("etc", "var", "var/") else word for word in _placed(words, installed))
    )
    assert said.returncode in (64, 70)
    assert "permission denied" in said.stdout + said.stderr
    assert "internal error" not in said.stderr
    assert "Traceback" not in said.stderr
    if ROOT:
        assert "sudo usermod -aG games root), then log in again" in " ".join((said.stdout + said.stderr).split())


def _placed(words: str, folder: Path) -> list[str]:
    return words.replace("sqlite:///var", f"sqlite:///{folder}/var").split()


@pytest.mark.skipif(not ROOT, reason="only root can be in another group")
@pytest.mark.parametrize("at_work", [True, False], ids=["daemon at work", "daemon stopped"])
def test_a_member_of_the_group_reads_configuration_and_records(installed: Path, at_work: bool) -> None:
    store = Store(f"sqlite:///{installed}/var/records.db")
    if at_work:
        store.open()
    told = ask("runs", "list", "--data", str(installed / "var"), member=True)
    store.close()
    assert (told.returncode, told.stdout.split("\t")[1]) == (0, started(1).run)
    assert ask("parts", "list", "--config", str(installed / "etc"), member=True).returncode == 0


@pytest.mark.skipif(not ROOT, reason="only root can be in another group")
def test_nor_is_a_closed_configuration_passed_over_for_another(installed: Path) -> None:
    """A stand that was installed and cannot be read must not make room for the example."""
    code = (
        "import daq.catalogue.find as f; from pathlib import Path; "
        f"f.places = lambda: (Path('nowhere'), Path('{installed}/etc'), Path('{SHIPPED}')); "
        "from daq.cli import main; import sys; sys.argv = ['steadyhead', 'parts', 'list']; main()"
    )
    less = ["setpriv", f"--bounding-set={CAPABILITIES}", f"--inh-caps={CAPABILITIES}"]
    env = {name: value for name, value in os.environ.items() if name != "STEADYHEAD_CONFIG"}
    said = subprocess.run([*less, sys.executable, "-c", code], env=env, capture_output=True, text=True, check=False)
    assert said.returncode == 64
    assert f"{installed}/etc/stand.toml: expected a file or folder that you may read" in said.stderr
