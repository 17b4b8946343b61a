"""The command line with a configuration of its own, whose records lie in the test's directory."""

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from daq.cli.root import app

Command = Callable[..., Result]

SHIPPED = Path(__file__).parents[3] / "config"


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """What ships, with records below the test's directory."""
    directory = tmp_path / "config"
    shutil.copytree(SHIPPED, directory)
    stand = directory / "stand.toml"
    text = stand.read_text(encoding="utf-8")
    assert '"~/.local/share/steadyhead"' in text
    text = text.replace("example = true\n", "")  # as somebody's own
    stand.write_text(text.replace("~/.local/share/steadyhead", str(tmp_path / "data")), encoding="utf-8")
    return directory


@pytest.fixture
def steadyhead(config: Path, monkeypatch: pytest.MonkeyPatch) -> Command:
    """`steadyhead("parts", "list")` runs the command with that configuration, its output piped."""
    monkeypatch.setenv("STEADYHEAD_CONFIG", str(config))
    runner = CliRunner()
    return lambda *words, **more: runner.invoke(app, list(words), **more)
