"""Tables shown as text and HTML say the same, rounded by the standard error, escaped."""

import pandas as pd

from trialkit.columns import COLUMNS, LOG_COLUMNS, head, to_house_unit, units_for
from trialkit.display import Shown, decimals_for, format_p, show_table
from trialkit.line_width import within_width


def test_rounding_follows_the_standard_error():
    table = pd.DataFrame({"level": ["a"], "estimate": [412.3456], "se": [0.0234], "p": [1e-9]})
    assert show_table(table).rows == (("a", "412.346", "0.023", "< 0.0001"),)
    assert decimals_for(0) == decimals_for(float("nan")) == 3
    assert format_p(0.04999) == "0.050"


def test_hostile_text_is_shown_as_text():
    table = pd.DataFrame({"<b>": ["<script>alert(1)</script>"]})
    page = show_table(table, caption="<i>", notes=["&<"]).html()
    assert "<script>" not in page
    assert "<b>" not in page
    assert "<i>" not in page
    assert "&lt;script&gt;" in page


def test_text_and_html_hold_the_same_cells():
    table = pd.DataFrame({"level": ["usual", "sparse"], "n": [8, 8], "x": [1.5, float("nan")]})
    shown = show_table(table, heads={"x": "x [g]"})
    for row in shown.rows:
        for cell in row:
            assert cell in shown.text()
            assert cell in shown.html()
    assert "x [g]" in shown.text()


def test_units_convert_by_their_definitions():
    """Fixed points of the Fahrenheit scale; the international pound of 1959 (exact)."""
    assert to_house_unit(32.0, "temp_c", "degF") == 0
    assert to_house_unit(-40.0, "temp_c", "degF") == -40
    assert to_house_unit(273.15, "temp_c", "K") == 0
    assert to_house_unit(1.0, "fresh_g", "lb") == 453.59237
    assert to_house_unit(16.0, "fresh_g", "oz") == 453.59237
    assert to_house_unit(0.85, "rh_pct", "fraction") == 85


def test_every_log_column_is_in_the_glossary():
    for names in LOG_COLUMNS.values():
        assert set(names) <= set(COLUMNS)
    assert head("temp_c") == "temperature [°C]"
    assert units_for("note") == ()


def test_tables_wider_than_a_line_stand_row_below_row():
    """28 letters: 8 + 4 + 12 of the cells and two gaps of two; at 27 the rows are stacked."""
    shown = Shown(
        ("schedule", "mean", "lower limits"), (("usual", "699", ""), ("sparse", "6", "5"))
    )
    with within_width(28):
        assert shown.text().splitlines()[0] == "schedule  mean  lower limits"
    with within_width(27):
        assert shown.text().splitlines() == [
            "schedule usual", "  mean          699",
            "schedule sparse", "  mean          6", "  lower limits  5",
        ]  # fmt: skip
    with within_width(4):
        assert Shown(("schedule",), (("usual",),)).text() == "schedule usual"
