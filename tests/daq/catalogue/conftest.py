"""A configuration directory of one's own to spoil: what ships, with one part."""

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

SHIPPED = Path(__file__).parents[3] / "config"

Spoil = Callable[[str, str, str], None]


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """stand.toml, cautions.toml and parts/pump.toml (MH-2101), parts/module.toml (MH-3310), as they ship."""
    for name in ("stand.toml", "cautions.toml"):
        shutil.copy(SHIPPED / name, tmp_path / name)
    (tmp_path / "parts").mkdir()
    shutil.copy(SHIPPED / "parts" / "mh-2101.toml", tmp_path / "parts" / "pump.toml")
    shutil.copy(SHIPPED / "parts" / "mh-3310.toml", tmp_path / "parts" / "module.toml")
    return tmp_path


@pytest.fixture
def spoil(config: Path) -> Spoil:
    """Replaces a text that stands in a file; the first one where there are several."""

    def replace(file: str, old: str, new: str) -> None:
        path = config / file
        text = path.read_text(encoding="utf-8")
        assert old in text, f"{old!r} does not stand in {file}"
        path.write_text(text.replace(old, new, 1), encoding="utf-8")

    return replace
