"""Power against published tables, worked examples and closed forms.

Values with many digits were computed from the same formulas in 30-digit arithmetic
(mpmath), independently of scipy; printed sources are named with each.
"""

import math

import numpy as np
import pytest

from trialkit.design.power.exact import power_f, power_t, smallest_for
from trialkit.design.power.power import power
from trialkit.design.strata.comparisons import compare_in, with_counts
from trialkit.design.variation import planning_ranges
from trialkit.errors import DesignError


@pytest.mark.parametrize(
    ("ncp", "df1", "df2", "expected"),
    [
        (0.28**2 * 80, 3, 76, 0.51497929196),  # Cohen (1988), exercise 8.1
        (24.375, 9, 380, 0.95236341),  # ten groups of 39, f = 0.25: a power program's manual
        (20 / 3, 1, 54, 0.71765348),  # 2 × 3 factorial, means 14 16 21 / 10 15 16, sd 5, n 10
        (16.933333333333334, 2, 54, 0.95674106),
        (1.7333333333333334, 2, 54, 0.19144684),
        (3.67346938775, 2, 27, 0.34892552),  # means 41 47 44, sd 7, n 10: textbook 0.3486
    ],
)
def test_power_of_f_tests(ncp, df1, df2, expected):
    assert power_f(ncp, df1, df2) == pytest.approx(expected, abs=1e-8)


@pytest.mark.parametrize(
    ("k", "sizes"),
    [(2, (394, 64, 26)), (3, (323, 53, 22)), (4, (274, 45, 19)), (5, (240, 40, 16)),
     (6, (215, 36, 15)), (7, (196, 33, 14))],
)  # fmt: skip
def test_smallest_groups_for_power_80(k, sizes):
    """Exact counterparts of Cohen (1992), Psychol. Bull. 112:155-159, table 2."""
    for f, n in zip((0.10, 0.25, 0.40), sizes, strict=True):
        assert power_f(f**2 * k * n, k - 1, k * (n - 1)) >= 0.8
        assert power_f(f**2 * k * (n - 1), k - 1, k * (n - 2)) < 0.8


@pytest.mark.parametrize(
    ("n", "d", "alpha", "sides", "expected"),
    [
        (20, 1, 0.05, 2, 0.8689530277239897),
        (64, 0.5, 0.05, 2, 0.8014595579222541),
        (26, 0.8, 0.05, 2, 0.8074866151465275),
        (15, 1.2, 0.01, 2, 0.6966159258053299),
        (17, 1, 0.05, 1, 0.8864966363427862),
        (6, 2, 0.05, 2, 0.8764177714119886),
    ],
)
def test_power_of_t_tests(n, d, alpha, sides, expected):
    found = power_t(d * math.sqrt(n / 2), 2 * (n - 1), level=1 - alpha, sides=sides)
    assert found == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(
    ("cv", "ratio", "margin", "total", "alpha", "expected"),
    [
        (0.25, 0.95, 0.8, 36, 0.025, 0.529721239134562),
        (0.2, 1.0, 0.9, 80, 0.05, 0.76227825946206),
        (0.3, 1.0, 0.8, 58, 0.025, 0.8118001969974162),
        (0.15, 1.02, 0.9, 20, 0.05, 0.5636527125176654),
    ],
)
def test_power_of_no_worse_on_the_log_scale(cv, ratio, margin, total, alpha, expected):
    se = math.sqrt(math.log1p(cv**2) * 4 / total)  # variance log(1 + CV²) on the log scale
    found = power_t(math.log(ratio / margin) / se, total - 2, level=1 - alpha, sides=1)
    assert found == pytest.approx(expected, abs=1e-9)


def test_smallest_effect_inverts_the_power():
    effect = smallest_for(lambda d: power_t(d * math.sqrt(20 / 2), 38), 0.8, start=0.1)
    assert power_t(effect * math.sqrt(10), 38) == pytest.approx(0.8, abs=1e-8)
    assert smallest_for(lambda d: 0.1, 0.8, start=1.0) == math.inf


# two arms, J chambers per arm, m bags, intraclass correlation, difference in total SD:
# ncp = δ / √(2(1 + (m − 1)ρ)/(Jm)), df = 2(J − 1); Donner and Klar (2000), Hayes and
# Bennett (1999) Int. J. Epidemiol. 28:319-326
CLUSTERS = [
    (3, 12, 0.1, 1.0, 0.5993882696347419),
    (4, 12, 0.1, 1.0, 0.8030947177426219),
    (6, 12, 0.1, 0.8, 0.8466228444390268),
    (4, 24, 0.1, 1.0, 0.8853553631304213),
    (8, 6, 0.05, 0.6, 0.6864849538489274),
    (5, 20, 0.3, 1.0, 0.6687086880132049),
    (4, 1000, 0.1, 1.0, 0.9566513361940563),
]


def two_arms(make_trial, J, m):
    return make_trial(f"structure = 'chamber / bag'\nchamber = {2 * J}\nbag = {m}",
                      {"schedule": ("chamber", 2, "")})  # fmt: skip


def spread(icc, total_pct=10.0):
    return {"chamber": total_pct * math.sqrt(icc), "chamber:bag": total_pct * math.sqrt(1 - icc)}


@pytest.mark.parametrize(("J", "m", "icc", "delta", "expected"), CLUSTERS)
def test_treatments_on_whole_chambers(make_trial, J, m, icc, delta, expected):
    found = power(two_arms(make_trial, J, m), variation=spread(icc), difference_pct=10 * delta,
                  lost=0, method="exact")  # fmt: skip
    table = found.table.set_index("question")
    assert table.loc["difference", "power"] == pytest.approx(expected, abs=1e-9)
    assert table.loc["any", "power"] == pytest.approx(expected, abs=1e-9)  # F = t² for two
    assert table.loc["any", "error_df"] == 2 * (J - 1)


@pytest.mark.parametrize(
    ("m", "icc", "delta", "wanted", "J"),
    [(12, 0.1, 1.0, 0.8, 4), (12, 0.1, 0.8, 0.9, 7), (6, 0.3, 1.0, 0.8, 8)],
)
def test_how_many_chambers(make_trial, m, icc, delta, wanted, J):
    """Smallest chambers per arm by exact t (the z formula gives 2.7, 5.7 and 6.5)."""
    found = power(two_arms(make_trial, 3, m), variation=spread(icc), difference_pct=10 * delta,
                  lost=0, questions=["difference"], wanted=wanted)  # fmt: skip
    needed = found.needed.set_index("unit").loc["chamber", "needed"]
    assert 2 * J - 1 <= needed <= 2 * J  # an odd chamber may do
    at = {}
    for j in (J - 1, J):
        bigger = power(with_counts(found.trial, {"chamber": 2 * j}), variation=spread(icc),
                       difference_pct=10 * delta, lost=0, questions=["difference"])  # fmt: skip
        at[j] = bigger.table["power"].iloc[0]
    assert at[J - 1] < wanted <= at[J]


def test_more_blocks_alone_reach_a_ceiling(make_trial):
    """With J fixed, power is capped as m grows: at 4 chambers per arm below 0.96."""
    found = power(two_arms(make_trial, 3, 12), variation=spread(0.1), difference_pct=10, lost=0,
                  questions=["difference"])  # fmt: skip
    assert np.isnan(found.needed.set_index("unit").loc["bag", "needed"])


def test_split_plot_by_strata(make_trial):
    """Oats-like split plot (Stroup 2002): ncp 5.1087 on (2, 10) and 18.2965 on (3, 45) df."""
    trial = make_trial(
        "structure = 'block / plot / subplot'\nblock = 6\nplot = 3\nsubplot = 4",
        {"variety": ("block:plot", 3, ""), "nitrogen": ("block:plot:subplot", 4, "")},
    )
    variances = {"block": 0.0, "block:plot": 106.0618, "block:plot:subplot": 177.0833}
    for name, effects, df, ncp, chance in [
        ("variety", (-8.0, 0.0, 8.0), (2, 10), 5.108671521, 0.3950724216),
        ("nitrogen", (-9.0, -3.0, 3.0, 9.0), (3, 45), 18.296474032, 0.9448484460),
    ]:
        c = compare_in(trial, name)
        error = sum(w * variances[s] for s, w in c.error_weights().items())
        # levels were shuffled over cells: effects go by level number
        d = np.array(effects)[c.cells[:, 0]]
        found = float(d @ c.info @ d) / error
        assert (c.num_df, c.error_df) == df
        assert found == pytest.approx(ncp, rel=2e-6)
        assert power_f(found, *df) == pytest.approx(chance, abs=2e-6)


def test_interaction_is_a_difference_of_differences(make_trial):
    """2 × 2 on 40 pots: variance of the difference of differences is 4 σ²/10."""
    trial = make_trial("structure = 'pot'\npot = 40", {"a": ("pot", 2, ""), "b": ("pot", 2, "")})
    found = power(trial, factor="a:b", variation={"pot": 10.0}, difference_pct=15, lost=0)
    expected = power_t(15 / math.sqrt(4 * 100 / 10), 36)
    assert found.table["power"].tolist() == pytest.approx([expected, expected], abs=1e-9)


def test_no_worse_in_one_stratum_is_exact(make_trial):
    """Completely randomised: T = mean − θ·reference has variance (1 + θ²)σ²/n, 2(n − 1) df.

    Sasabuchi's test; Hauschke et al. (1999), Stat. Med. 18:93-105.
    """
    trial = make_trial("structure = 'pot'\npot = 24", {"a": ("pot", 2, "")})
    found = power(trial, variation={"pot": 12.0}, margin_pct=20, lost=0, questions=["no worse"])
    se = math.sqrt((1 + 0.8**2) * 12.0**2 / 12)
    expected = power_t(20 / se, 22, level=0.975, sides=1)
    assert found.table["power"].iloc[0] == pytest.approx(expected, abs=1e-9)


def test_a_loss_that_is_true_lowers_the_chance_of_no_worse(make_trial):
    trial = make_trial("structure = 'pot'\npot = 24", {"a": ("pot", 2, "")})
    at = [
        power(trial, variation={"pot": 8.0}, true_pct=true, questions=["no worse"]).table
        for true in (0.0, -5.0, -10.0)
    ]
    chances = [table["power"].iloc[0] for table in at]
    assert chances[0] > chances[1] > chances[2]
    assert chances[2] == pytest.approx(0.025, abs=1e-6)  # at the margin: the level of the test


def test_lost_blocks_widen_the_error(make_trial):
    trial = two_arms(make_trial, 4, 6)
    whole, less = (
        power(trial, variation=spread(0.1), difference_pct=10, lost=lost).table["power"].iloc[1]
        for lost in (0, 20)
    )
    assert less < whole
    c = compare_in(trial, "schedule")
    n_bags = 48
    without, weighted = c.error_weights(), c.error_weights({"chamber:bag": 0.2})
    # E[1/M] of a binomial(6, 0.8), M > 0, by its definition
    p = [math.comb(6, k) * 0.8**k * 0.2 ** (6 - k) for k in range(1, 7)]
    mean_inverse = sum(q / k for k, q in zip(range(1, 7), p, strict=True)) / sum(p)
    assert without["chamber:bag"] == pytest.approx(8 / n_bags)
    assert weighted["chamber:bag"] == pytest.approx(mean_inverse)
    assert weighted["chamber"] == without["chamber"]


def test_planning_ranges_say_what_they_are(chambers):
    trial = chambers()
    ranges = planning_ranges(trial.structure).table.set_index("stratum")
    assert "no source" in str(ranges.loc["batch:chamber", "source"])
    assert "Baysal" in ranges.loc["batch:chamber:shelf:block", "source"]
    # Baysal and others (2003): 12 % on average; a trial with blocks 19 to 22 %; a farm 26 to 36 %
    named = planning_ranges(trial.structure).point
    block = [named(end)["batch:chamber:shelf:block"] ** 0.5 for end in range(3)]
    assert block[0] == pytest.approx(12, abs=0.5)
    assert 19 <= block[1] <= 22
    assert 26 <= block[2] <= 36
    found = power(trial, method="exact")
    assert any("planning range" in note for note in found.notes)
    assert (found.table["low"] <= found.table["power"]).all()
    assert (found.table["power"] <= found.table["high"]).all()


def test_next_step_prefers_what_pays(chambers):
    prices = "[prices]\nblock_each = 3\nchamber_each = 300\nbatch_each = 40\n"
    found = power(chambers(extra=prices), method="exact", questions=["difference"])
    table = found.next_step
    assert table["gain_per_100"].is_monotonic_decreasing
    batch = table.set_index("unit").loc["batch"]
    assert batch["cost"] == 40 + 6 * 2 * 3 * 3  # one batch and the blocks that fill it
    assert batch["gain"] > 0
    assert np.isnan(power(chambers(), questions=["any"], method="exact").next_step["cost"]).all()


def test_curve_and_table_show_themselves(chambers):
    found = power(chambers(), method="exact")
    axes = found.curve(most=3)
    assert len(axes.get_lines()) >= 4
    assert "chance to show" in str(found)
    assert "<table" in found._repr_html_()


def test_chances_of_other_sizes_are_those_of_such_trials(chambers):
    """Each size drawn is a trial of its own; a fall is found by looking at all smaller ones."""
    found = power(chambers(), method="exact")
    sizes = found.sizes.set_index(["batch", "chamber"])
    assert sizes.index[sizes["today"]].tolist() == [(4, 6)]
    for batch, chamber in ((4, 6), (6, 7), (3, 7)):
        other = power(chambers(batch=batch, chamber=chamber), method="exact")
        chance = other.table["power"].min()
        assert sizes.loc[(batch, chamber), "power"] == pytest.approx(chance, abs=1e-6)
    for (batch, chamber), row in sizes.iterrows():
        smaller = [
            size["power"] for (b, c), size in sizes.iterrows() if b <= batch and c <= chamber
        ]
        assert row["falls"] == (max(smaller) > row["power"] + 0.005)


@pytest.mark.parametrize("narrow", [False, True])
def test_the_picture_of_sizes_marks_today_and_prices_a_step(chambers, narrow):
    from tests.drawn_text import text_outside, text_over_text
    from trialkit.style import page_form

    prices = "[prices]\ncurrency = 'EUR'\nblock_each = 3\nchamber_each = 300\nbatch_each = 40\n"
    found = power(chambers(extra=prices), method="exact", questions=["difference"])
    with page_form(narrow=narrow) as form:
        figure = found.picture()
    words = [text.get_text() for ax in figure.axes for text in ax.texts]
    assert "372 EUR more" in words  # a chamber and 4 batches of 6 blocks of 3 EUR
    assert "1 batch: 148 EUR more" in form.notes[0]  # 40 EUR and 6 chambers of 6 blocks
    squares = [(ax, line) for ax in figure.axes for line in ax.lines if line.get_marker() == "s"]
    assert [line.get_xdata().tolist() for _, line in squares] == [[4]]
    assert text_over_text(figure) == []
    assert text_outside(figure) == []


def test_sliders_change_the_table(chambers):
    box = power(chambers(), method="exact").sliders()
    before = box.children[-1].value
    box.children[0].value = 8
    assert box.children[-1].value != before


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"factor": "nothing"}, "no treatment"),
        ({"variation": {"nothing": 3}}, "nothing"),
        ({"variation": {"batch": 3}}, "smallest units"),
        ({"wanted": 1.5}, "between 0 and 1"),
        ({"lost": 100}, "below 100"),
        ({"questions": ["why"]}, "unknown question"),
        ({"method": "guess"}, "not known"),
        ({"margin_pct": 0}, "margin"),
    ],
)
def test_impossible_requests_are_refused(chambers, options, message):
    with pytest.raises(DesignError, match=message):
        power(chambers(), **options)


def test_cheapest_mix_is_the_cheapest_of_all(runs):
    """Against every mix of up to two more of each kind of unit."""
    from itertools import product

    from trialkit.design.power.grid import chance_at, cheapest_mixes, mix_cost

    prices = "[prices]\nblock_each = 3\nchamber_each = 90\nbatch_each = 40\n"
    trial = runs(batch=3, levels=3, extra=prices)
    found = power(trial, method="exact", questions=["difference"], difference_pct=20)
    names = list(trial.structure.factors)
    enough = []
    for added in product(range(3), repeat=len(names)):
        counts = {n: trial.counts[n] + a for n, a in zip(names, added, strict=True)}
        got = chance_at(found, counts)
        if got is not None and got[1] >= found.wanted:
            enough.append((mix_cost(trial, counts), counts))
    best = min(cost for cost, _ in enough)
    table = cheapest_mixes(found, most=2)
    assert best > 0  # the trial as it is does not do
    assert table["cost"].iloc[0] == pytest.approx(best)
    assert (table["power"] >= found.wanted).all()
    assert table["cost"].is_monotonic_increasing


def test_cost_of_a_mix_by_hand(chambers):
    """3 → 4 batches and 6 → 7 chambers, 6 blocks in each run: 10 more runs, one chamber."""
    from trialkit.design.power.grid import mix_cost

    prices = "[prices]\nblock_each = 3\nchamber_each = 90\nbatch_each = 40\n"
    trial = chambers(batch=3, extra=prices)
    counts = {"batch": 4, "chamber": 7, "shelf": 2, "block": 3}
    assert mix_cost(trial, counts) == 40 + 90 + (28 - 18) * 6 * 3
    assert math.isnan(mix_cost(chambers(), counts))
