"""What a stand and a part are to the procedure."""

import pytest

from daq.procedure.plan import Reading


@pytest.mark.parametrize(("most", "longest"), [(None, 4.0), (3.0, 3.0), (9.0, 9.0)])
def test_a_window_is_at_most_as_long_as_all_looks_where_nothing_else_is_said(
    most: float | None, longest: float
) -> None:
    assert Reading(window=0.5, looks=8, max_window=most).longest == longest
