"""Lets a test carry the rows of README.md that it checks without taking them as an argument, and sees that it runs code
of the project, unless README.md calls all of them witness checks."""

from collections.abc import Iterator

import pytest

from tests.published.rows import entering, rows_in, witnesses


@pytest.fixture(autouse=True)
def row(request: pytest.FixtureRequest) -> Iterator[None]:
    """What `rows` names. A check of a figure that runs nothing of the project would compare the figure with itself."""
    named = rows_in(request.node.name)
    with entering() as entered:
        yield
    if named and not named <= witnesses() and not entered:
        pytest.fail(f"{', '.join(sorted(named))}: ran no code of daq, drivers or simulator, and is no witness check")
