"""Records of a test's own."""

from pathlib import Path

import pytest

from tests.system.records import Records


@pytest.fixture
def records(tmp_path: Path) -> Records:
    return Records(tmp_path / "data")
