"""The built wheel, installed apart from this checkout: nothing missing, nothing in it that does not belong there."""

import os
import subprocess
import sys
import sysconfig
import tarfile
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PACKAGES = {"daq", "drivers", "simulator"}


def call(*command: str | Path, cwd: Path) -> str:
    """Runs a command that must succeed, without what this environment says about paths and configuration."""
    hidden = ("PYTHONPATH", "PYTHONHOME", "STEADYHEAD_CONFIG", "VIRTUAL_ENV")
    env = {name: value for name, value in os.environ.items() if name not in hidden}
    done = subprocess.run(command, cwd=cwd, env=env, capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{command}: exit code {done.returncode}\n{done.stdout}\n{done.stderr}"
    return done.stdout


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("wheel")
    pip = (sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "--no-build-isolation", "--wheel-dir")
    call(*pip, out, ROOT, cwd=out)
    return next(out.glob("*.whl"))


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An environment that has the wheel itself and borrows only what it depends on."""
    venv = tmp_path_factory.mktemp("installed") / "venv"
    python = venv / "bin" / "python"
    call(sys.executable, "-m", "venv", "--without-pip", venv, cwd=venv.parent)
    call(
        *(sys.executable, "-m", "pip", "--python", python, "install", "--quiet", "--no-deps", "--no-index", wheel),
        cwd=venv.parent,
    )
    site = Path(call(python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))", cwd=venv.parent).strip())
    (site / "borrowed.pth").write_text(sysconfig.get_path("purelib") + "\n", encoding="utf-8")
    return venv


def test_holds_the_packages_and_the_configuration_and_no_more(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        names = archive.namelist()
    about = "-".join(wheel.name.split("-")[:2])
    assert {name.split("/")[0] for name in names} == PACKAGES | {f"{about}.dist-info", f"{about}.data"}
    shared = f"{about}.data/data/share/steadyhead/config/"
    assert all(name.startswith(shared) for name in names if name.startswith(f"{about}.data/"))
    assert not [name for name in names if "__pycache__" in name or name.endswith((".db", ".pyc"))]
    for place, prefix in (
        ("daq", ""),
        ("drivers", ""),
        ("simulator", ""),
        ("config", f"{about}.data/data/share/steadyhead/"),
    ):
        ours = {prefix + path for path in tracked(place)}
        assert ours <= set(names), f"left out of the wheel: {sorted(ours - set(names))}"


def test_no_source_distribution_holds_the_emulator(tmp_path: Path) -> None:
    """It is linked with a library under the GPL; all else here is not under that licence."""
    call(sys.executable, "-m", "hatchling", "build", "-t", "sdist", "-d", tmp_path, cwd=ROOT)
    with tarfile.open(next(tmp_path.glob("*.tar.gz"))) as archive:
        names = [name.partition("/")[2] for name in archive.getnames()]
    assert {"pyproject.toml", "simulator/coupling.py", "deploy/firmware/Makefile", "tests/conftest.py"} <= set(names)
    assert not [name for name in names if name.startswith("tests/emulator")]


def tracked(folder: str) -> list[str]:
    """The source files below a folder, relative to the checkout."""
    files = (path for path in (ROOT / folder).rglob("*") if path.is_file() and "__pycache__" not in path.parts)
    return [str(path.relative_to(ROOT)) for path in files]


def test_runs_from_another_folder(installed: Path, tmp_path: Path) -> None:
    where = call(installed / "bin" / "python", "-c", "import daq; print(daq.__file__)", cwd=tmp_path)
    assert Path(where).is_relative_to(installed), "the wheel is to be tested, not the checkout"
    assert "parts" in call(installed / "bin" / "steadyhead", "--help", cwd=tmp_path)


def test_finds_the_configuration_that_it_brought(installed: Path, tmp_path: Path) -> None:
    call(installed / "bin" / "steadyhead", "parts", "check", cwd=tmp_path)
    assert "MH-2101" in call(installed / "bin" / "steadyhead", "parts", "list", "--json", cwd=tmp_path)
