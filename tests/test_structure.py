"""The unit structure: notation, strata and degrees of freedom."""

import pytest

from trialkit.errors import DesignError
from trialkit.structure import parse_structure, skeleton


def lines(structure, counts, treatments):
    return [
        (":".join(s.stratum), s.name or "error", s.df)
        for s in skeleton(parse_structure(structure), counts, treatments)
    ]


def test_nesting_and_crossing_expand_to_the_published_terms():
    """Wilkinson & Rogers (1973): A/B = A + A:B; A*B = A + B + A:B; brackets first."""
    assert parse_structure("a / b").random_terms == ("a", "a:b")
    assert parse_structure("a * b").random_terms == ("a", "b", "a:b")
    assert parse_structure("a / (b * c)").random_terms == ("a", "a:b", "a:c", "a:b:c")
    assert parse_structure("(batch * chamber) / shelf / block").random_terms == (
        "batch", "chamber", "batch:chamber", "batch:chamber:shelf", "batch:chamber:shelf:block",
    )  # fmt: skip


def test_split_plot_skeleton_is_that_of_yates_oats():
    """Yates (1935) oats: 5 / 2, 10 / 3, 6, 45 (table in Venables & Ripley, MASS, ch. 10)."""
    got = lines(
        "block / plot / subplot",
        {"block": 6, "plot": 3, "subplot": 4},
        {"variety": (("block", "plot"), 3), "nitrogen": (("block", "plot", "subplot"), 4)},
    )
    assert got == [
        ("block", "error", 5),
        ("block:plot", "variety", 2),
        ("block:plot", "error", 10),
        ("block:plot:subplot", "nitrogen", 3),
        ("block:plot:subplot", "variety:nitrogen", 6),
        ("block:plot:subplot", "error", 45),
    ]


def test_split_plot_skeleton_is_that_of_cook_cakes():
    """Cochran & Cox (1957, p. 300) chocolate cakes: 14 / 2, 28 / 5, 10, 210."""
    got = lines(
        "replicate / recipe_batch / cake",
        {"replicate": 15, "recipe_batch": 3, "cake": 6},
        {
            "recipe": (("replicate", "recipe_batch"), 3),
            "temperature": (("replicate", "recipe_batch", "cake"), 6),
        },
    )
    assert [df for *_, df in got] == [14, 2, 28, 5, 10, 210]


def test_strip_plot_skeleton_is_that_of_gomez_rice():
    """Gomez & Gomez (1984): 6 varieties x 3 nitrogen, 3 reps: 2, 5, 10, 2, 4, 10, 20."""
    got = lines(
        "rep / (row * column)",
        {"rep": 3, "row": 6, "column": 3},
        {"variety": (("rep", "row"), 6), "nitrogen": (("rep", "column"), 3)},
    )
    assert [(name, df) for _, name, df in got] == [
        ("error", 2), ("variety", 5), ("error", 10), ("nitrogen", 2), ("error", 4),
        ("variety:nitrogen", 10), ("error", 20),
    ]  # fmt: skip


def test_latin_square_error_has_the_textbook_degrees_of_freedom():
    """A t x t Latin square leaves (t - 1)(t - 2) for error (any handbook)."""
    for t in (3, 4, 5, 8):
        got = lines("row * column", {"row": t, "column": t}, {"spray": (("row", "column"), t)})
        assert got[-1] == ("row:column", "error", (t - 1) * (t - 2))


def test_one_batch_merges_chamber_and_chamber_run():
    """With one batch a chamber is a chamber run: six chambers, two schedules leave 4 df."""
    got = lines(
        "(batch * chamber) / block",
        {"batch": 1, "chamber": 6, "block": 5},
        {"schedule": (("batch", "chamber"), 2)},
    )
    assert got == [
        ("batch:chamber", "schedule", 1),
        ("batch:chamber", "error", 4),
        ("batch:chamber:block", "error", 24),
    ]


def test_degrees_of_freedom_add_up_to_units_minus_one():
    structure = parse_structure("(batch * chamber) / shelf / block")
    counts = {"batch": 4, "chamber": 6, "shelf": 2, "block": 3}
    assert sum(structure.degrees_of_freedom(counts).values()) == 4 * 6 * 2 * 3 - 1


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("a / b * c", "without brackets"),
        ("(a * b", "not closed"),
        ("a * b)", "never opened"),
        ("a // b", "name is missing"),
        ("a b", "operator is missing after 'a'"),
        ("a / a", "more than once"),
        ("a + b", r"'\+' is not understood"),
        ("", "empty"),
        ("   ", "empty"),
    ],
)
def test_a_faulty_notation_is_refused_in_words(text, says):
    with pytest.raises(DesignError, match=says):
        parse_structure(text)


def test_terms_are_found_whatever_the_order_of_their_factors():
    structure = parse_structure("(batch * chamber) / block")
    assert structure.term("chamber:batch") == ("batch", "chamber")
    with pytest.raises(DesignError, match="the kinds are batch, chamber"):
        structure.term("tent")
