"""The rows of README.md in this folder, as test ids."""

import pytest


def rows(*ids: str) -> pytest.MarkDecorator:
    """Names the rows that a test checks; they stand in its id, so that `pytest -k V5.12` finds it."""
    return pytest.mark.parametrize("row", ["-".join(ids)], indirect=True)
