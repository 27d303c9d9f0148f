"""Decimal commas between commas: which tables are refused, row by row."""

from __future__ import annotations

import pytest

from trialkit.errors import LogError
from trialkit.logs.text.bare_commas import _is_cut, refuse_bare_commas

AT = "2031-01-14 07:00"


@pytest.mark.parametrize(
    ("heads", "row", "cut"),
    [
        ("time temp", [AT, "21", "5"], True), ("Zeitpunkt temp", [AT, "21", "5"], True),
        ("n time temp", ["1", AT, "21", "5"], True), ("time temp", [AT, "-21", "50"], True),
        ("time temp rh", [AT, "21", "5", "88", "0"], True),
        # the last pairs alone are looked at: as many as there are fields too many
        ("time x temp", [AT, "wet", "21", "5"], True), ("time temp", [AT, " 21 ", " 5 "], True),
        # behind a comma stands no sign, and no word is cut
        ("time temp", [AT, "21", "-5"], False), ("time temp", [AT, "21", "wet"], False),
        ("time temp", [AT, "wet", "5"], False), ("time temp", [AT, "21.5", "5"], False),
        # the moment stands under another head, behind all heads, or there is none
        ("temp time", [AT, "21", "5"], False), ("time temp", ["21", "5", AT], False),
        ("time temp", ["late", "21", "5"], False), ("when temp", [AT, "21", "5"], False),
        # date and time apart: a column without a head before them
        ("date time temp", ["1", AT, "21", "5"], False),
    ],
)  # fmt: skip
def test_rows_whose_last_values_are_cut_in_two(heads: str, row: list[str], cut: bool) -> None:
    assert _is_cut(heads.split(), row) == cut


def test_rows_as_wide_as_their_heads_are_never_refused() -> None:
    refuse_bare_commas(["time", "a", "b"], [[AT, "21", "5"]] * 5, "a.csv")
    refuse_bare_commas(["time", "a", "b", "c"], [[AT, "21", "5"]] * 5, "a.csv")
    refuse_bare_commas(["time"], [], "a.csv")


def test_the_usual_width_of_the_rows_counts() -> None:
    """Four rows of three fields and three of two; then the other way round."""
    cut, whole = [AT, "21", "5"], [AT, "21"]
    with pytest.raises(LogError, match="3 fields under 2 heads"):
        refuse_bare_commas(["time", "temp"], [*[cut] * 4, *[whole] * 3], "a.csv")
    refuse_bare_commas(["time", "temp"], [*[cut] * 3, *[whole] * 4], "a.csv")


@pytest.mark.parametrize(("wet", "refused"), [(1, True), (2, False)])
def test_more_than_four_fifths_of_such_rows_are_cut(wet: int, refused: bool) -> None:
    """Of seven 6/7 is 0.86 and 5/7 is 0.71."""
    rows = [[AT, "21", "5"]] * (7 - wet) + [[AT, "21", "wet"]] * wet
    if refused:
        with pytest.raises(LogError, match="commas stand"):
            refuse_bare_commas(["time", "temp"], rows, "a.csv")
    else:
        refuse_bare_commas(["time", "temp"], rows, "a.csv")
