"""A day of the year among dates is a slip of the pen, not a moment."""

import pyarrow as pa
import pytest

from trialkit.logs.text.times import read_moments


@pytest.mark.parametrize(
    ("cells", "read"),
    [
        (["2031-11-01", "2031-112", "2031-11-03"], [True, False, True]),
        (["2031-305", "2031-306", "2031-11-03"], [True, True, False]),
        (["2031-305", "2031-306"], [True, True]),
        (["2031-11-01", "2031-306"], [True, False]),
    ],
)
def test_the_fewer_of_two_kinds_of_days_are_left_out(cells, read):
    assert read_moments(pa.array(cells)).ok.tolist() == read
