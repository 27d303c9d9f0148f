"""Surfaces, where they are level, what may be best: printed example, closed forms, draws."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from trialkit.errors import ModelError
from trialkit.settings.polynomial import terms
from trialkit.settings.setting_range import SettingRange
from trialkit.surface.best_region import best_region
from trialkit.surface.choices import choose_settings
from trialkit.surface.fit_surface import fit_surface
from trialkit.surface.joint_limits import joint_point
from trialkit.surface.limits import surface_limits
from trialkit.surface.stationary import stationary_point

#: A chemical reaction in two blocks of seven runs: time [min], temperature, yield [%].
#: Myers, Montgomery and Anderson-Cook, Response Surface Methodology; as printed in
#: Lenth (2009), J Stat Softw 32(7), doi:10.18637/jss.v032.i07, with its estimates below.
REACTION = [
    (80, 170, "1", 80.5), (80, 180, "1", 81.5), (90, 170, "1", 82.0), (90, 180, "1", 83.5),
    (85, 175, "1", 83.9), (85, 175, "1", 84.3), (85, 175, "1", 84.0), (85, 175, "2", 79.7),
    (85, 175, "2", 79.8), (85, 175, "2", 79.5), (92.07, 175, "2", 78.4), (77.93, 175, "2", 75.6),
    (85, 182.07, "2", 78.5), (85, 167.93, "2", 77.0),
]  # fmt: skip


@pytest.fixture(scope="module")
def reaction():
    table = pd.DataFrame(REACTION, columns=["time", "heat", "block", "percent"])
    both = [SettingRange("time", 80, 90, 85), SettingRange("heat", 170, 180, 175)]
    return fit_surface(table, both, response="percent", others=["block"])


def test_coefficients_and_stationary_point_of_the_printed_example(reaction):
    """Printed: 84.0954 (block 1), -4.4575, 0.9325, 0.5777, -1.3086, -0.9334, 0.125."""
    slopes = [0.93254, 0.57771, -1.30856, -0.93344, 0.12500]
    assert reaction.estimate[1:] == pytest.approx(slopes, abs=6e-6)
    assert reaction.estimate[0] == pytest.approx(84.09543 - 4.45753 / 2, abs=1e-5)
    level = stationary_point(reaction)
    assert level.kind == "top"
    assert level.inside
    assert level.values == pytest.approx([86.86148, 176.67190], abs=1e-5)
    assert level.bends == pytest.approx([-0.92330, -1.31869], abs=1e-5)


def test_curvature_of_the_printed_example_is_the_printed_f_test(reaction):
    """Printed for squares and products beside the linear terms: F not below 200 on 3 and 7 df."""
    tests = reaction.tests()
    assert tests.loc["curvature", ["num_df", "den_df"]].tolist() == pytest.approx([3, 7])
    assert tests.loc["curvature", "F"] == pytest.approx(223.48498, abs=1e-4)
    assert tests.loc["curvature", "p"] == pytest.approx(2.6003e-7, rel=1e-4)


def test_lack_of_fit_is_that_of_repeats():
    """One setting, twelve runs at four values: F by pure error of repeats, by hand."""
    rng = np.random.default_rng(8)
    x = np.repeat([2.0, 4, 7, 10], 3)
    y = 5 + x + rng.normal(0, 1, 12)
    duty = SettingRange("duty_pct", 2, 10, usual=10)
    surface = fit_surface(pd.DataFrame({"duty_pct": x, "g": y}), [duty], response="g")
    within = sum(((y[x == v] - y[x == v].mean()) ** 2).sum() for v in np.unique(x))
    line = np.polyval(np.polyfit(x, y, 2), x)
    lack = ((y - line) ** 2).sum() - within
    row = surface.tests().loc["lack of fit"]
    assert row[["num_df", "den_df"]].tolist() == pytest.approx([1, 8])
    assert row["F"] == pytest.approx(lack / (within / 8), rel=1e-8)


def test_joint_points_are_the_known_ones():
    """One row: t. All directions of a plane: Scheffé's root of 2 F."""
    one = joint_point([[1.0, 0.0]], np.eye(2), 8, draws=100_000)
    assert one == pytest.approx(stats.t.ppf(0.975, 8), rel=0.01)
    single = joint_point([[1.0, 0.0]], np.eye(2), 8, sides=1, draws=100_000)
    assert single == pytest.approx(stats.t.ppf(0.95, 8), rel=0.01)
    angle = np.linspace(0, np.pi, 60)
    wide = np.column_stack([np.cos(angle), np.sin(angle)])
    cov = np.array([[2.0, 0.6], [0.6, 0.5]])
    got = joint_point(wide, cov, 8, draws=100_000)
    assert got == pytest.approx(np.sqrt(2 * stats.f.ppf(0.95, 2, 8)), rel=0.01)
    assert np.isnan(joint_point(wide, cov, float("nan")))


def runs(true, noise, *, seed=1, repeats=6, values=(2.0, 4, 6, 8, 10)):
    """Draw like chambers at several duty cycles."""
    rng = np.random.default_rng(seed)
    x = np.repeat(values, repeats)
    table = pd.DataFrame({"duty_pct": x, "g": true(x) + rng.normal(0, noise, len(x))})
    return table, SettingRange("duty_pct", 2, 10, usual=10, unit="%", steps=np.arange(2, 10.1, 0.5))


def test_a_region_inside_is_the_settings_whose_slope_is_not_shown():
    """One setting: t test of the slope at each, by ordinary least squares (numpy), 95.5 %.

    0.5 of the 5 % are kept for bottoms; here nothing is left out by them that slopes leave in.
    """
    table, duty = runs(lambda x: 500 - 4 * (x - 6) ** 2, 20)
    region = best_region(fit_surface(table, [duty], response="g"))
    X = np.column_stack(
        [np.ones(30), duty.code(table["duty_pct"]), duty.code(table["duty_pct"]) ** 2]
    )
    b, rss, *_ = np.linalg.lstsq(X, table["g"].to_numpy(), rcond=None)
    cov = np.linalg.inv(X.T @ X) * rss[0] / 27
    inside = np.abs(region.coded[:, 0]) < 1
    rows = np.column_stack([np.zeros(17), np.ones(17), 2 * region.coded[:, 0]])
    t = rows @ b / np.sqrt(np.einsum("ij,jk,ik->i", rows, cov, rows))
    expected = np.abs(t) <= stats.t.ppf(1 - 0.045 / 2, 27)
    assert region.within[inside].tolist() == expected[inside].tolist()
    assert 0 < expected.sum() < 10
    ((low, high),) = region.limits()
    assert low <= 6 <= high
    assert region.seen
    assert (region.open_low, region.open_high) == ((False,), (False,))


def test_a_best_at_the_end_is_open_there_and_a_bottom_is_left_out():
    table, duty = runs(lambda x: 400 + 12 * x, 15)
    region = best_region(fit_surface(table, [duty], response="g"))
    assert region.best.tolist() == [10]
    assert (region.open_low, region.open_high) == ((False,), (True,))
    table, duty = runs(lambda x: 400 + 4 * (x - 6) ** 2, 10)
    region = best_region(fit_surface(table, [duty], response="g"))
    assert not region.within[region.values[:, 0] == 6].any()  # level, but both ends give more
    assert region.within[[0, -1]].all()
    least = best_region(fit_surface(table, [duty], response="g"), more_is_better=False)
    assert least.within[least.values[:, 0] == 6].all()
    assert not least.within[[0, -1]].any()


def test_where_nothing_is_shown_to_matter_no_best_setting_is_invented():
    table, duty = runs(lambda x: 500 + 0 * x, 20, seed=3)
    region = best_region(fit_surface(table, [duty], response="g"))
    assert not region.seen
    assert region.within.all()


def test_limits_of_the_change_are_nothing_at_todays_setting_and_hold_the_truth():
    def true(x):
        return 500 - 4 * (x - 6) ** 2

    table, duty = runs(true, 20, seed=4)
    got = surface_limits(fit_surface(table, [duty], response="g"))
    today = got[got["duty_pct"] == 10].iloc[0]
    assert today[["change", "change_low", "change_high"]].tolist() == pytest.approx([0, 0, 0])
    truth = true(got["duty_pct"]) - true(10)
    assert ((got["change_low"] <= truth + 1e-9) & (truth <= got["change_high"] + 1e-9)).all()
    assert (got["high"] - got["low"] > 0).all()


def test_choices_without_noise_are_those_of_the_curve_itself():
    """Top at 6 %; 4 g lost per squared step: a loss of 10 % of 436 g from today's 10 % duty.

    Yield 500 - 4 (x - 6)^2, today 436, accepted 392.4: less mist down to x = 6 - 5.19, so to the
    range's end at 2. With 20 % margin off 484 (today 4 %) likewise; so a steeper one: 9 g.
    """
    table, duty = runs(lambda x: 500 - 9 * (x - 6) ** 2, 1e-3)
    got = choose_settings(
        fit_surface(table, [duty], response="g"),
        margin_pct=5,
        use=lambda v: 10 * v[:, 0],
        price=0.02,
        cost=lambda v: 0.5 * v[:, 0],
    )
    at = got.table.set_index("choice")
    assert at.loc["most yield", "duty_pct"] == 6
    assert at.loc["today", "yield"] == pytest.approx(500 - 9 * 16, abs=0.01)
    # money: 0.02 (500 - 9 d^2) - 0.5 x is largest at 6 - 0.5 / 0.36, nearest step 4.5
    assert at.loc["most money", "duty_pct"] == 4.5
    # 356 g today, 338.2 accepted: down to 6 - 4.24, that is to 2 % (356 g)
    assert at.loc["least use", "duty_pct"] == 2
    assert at.loc["least use", "use_change_pct"] == pytest.approx(-80)
    assert at["sure"].all()
    assert at.loc["most money", "regret"] == pytest.approx(0, abs=1e-3)
    worst = 0.02 * (500 - 9 * 1.5**2) - 0.5 * 4.5 - (0.02 * 356 - 0.5 * 10)
    assert at.loc["today", "regret"] == pytest.approx(worst, abs=0.01)
    edge = got.frontier
    assert edge["duty_pct"].is_monotonic_increasing
    assert edge["duty_pct"].iloc[-1] == 6  # more water than at the top gives no more


def test_regret_of_two_settings_is_that_of_the_t_law():
    """Two settings: E max(0, g + s T) = s (pdf(z) (df + z^2) / (df - 1) + z cdf(z)), z = g / s."""
    table, duty = runs(lambda x: 480 + 2 * x, 20, seed=6)
    surface = fit_surface(table, [duty], response="g")
    two = np.array([[-1.0], [1.0]])
    got = choose_settings(surface, margin_pct=10, points=two).table.set_index("choice")
    row = terms(two)[0] - terms(two)[1]
    g, s = float(row @ surface.estimate), float(np.sqrt(row @ surface.covariance @ row))
    law, z, df = stats.t(27), g / s, 27
    lost = s * (law.pdf(z) * (df + z**2) / (df - 1) + z * law.cdf(z))
    assert got.loc["today", "regret"] == pytest.approx(lost, abs=4 * s / np.sqrt(4000))


@pytest.mark.parametrize(("rows", "known"), [(5, False), (6, True)])
def test_with_two_degrees_of_freedom_there_is_no_mean_loss(rows, known):
    """The square of t with 2 degrees of freedom has no mean, so its draws have no variance."""
    table, duty = runs(lambda x: 480 + 2 * x, 20, seed=6)
    few = table[table["duty_pct"].isin([2, 6, 10])].groupby("duty_pct").head(2).iloc[:rows]
    assert few["duty_pct"].nunique() == 3
    got = choose_settings(fit_surface(few, [duty], response="g"), margin_pct=10)
    assert got.table["regret"].notna().all() == known


def test_too_few_values_are_refused():
    table, duty = runs(lambda x: x, 1, values=(2.0, 10))
    with pytest.raises(ModelError, match="at least three values"):
        fit_surface(table, [duty], response="g")
    line = pd.DataFrame(
        {"duty_pct": [2.0, 6, 10] * 4, "lux": [100.0, 300, 500] * 4, "g": range(12)}
    )
    both = [SettingRange("duty_pct", 2, 10, 6), SettingRange("lux", 100, 500, 300)]
    with pytest.raises(ModelError, match="more of their combinations"):
        fit_surface(line, both, response="g")


def test_random_parts_of_the_trial_are_those_of_the_model():
    """Mist by run, light by shelf: the mist's slope has the df of runs, the light's of shelves."""
    rng = np.random.default_rng(2)
    rows = []
    for run, mist in enumerate([2.0, 6, 10] * 4):
        luck = rng.normal(0, 20)
        rows += [
            (f"r{run}", mist, lux, 500 + luck + rng.normal(0, 10)) for lux in (100.0, 300, 500)
        ]
    table = pd.DataFrame(rows, columns=["run", "duty_pct", "lux", "g"])
    both = [SettingRange("duty_pct", 2, 10, 6), SettingRange("lux", 100, 500, 300)]
    surface = fit_surface(table, both, response="g", random=["run"])
    df = surface.df_at(np.eye(6))
    assert df[1] == pytest.approx(9, abs=0.01)  # 12 runs less mean, slope and square of mist
    assert df[2] == pytest.approx(21, abs=0.01)  # 24 within, less slope, square and product


def test_three_settings_give_their_top_back():
    """Without noise: the vertex of the paraboloid, by its own formula."""
    rng = np.random.default_rng(9)
    names, top = ("mist", "light", "hours"), np.array([0.2, -0.4, 0.6])
    at = rng.choice([-1.0, 0, 1], (40, 3))
    table = pd.DataFrame(at, columns=list(names))
    table["g"] = 500 - 40 * ((at - top) ** 2).sum(axis=1) + rng.normal(0, 1e-4, 40)
    three = [SettingRange(name, -1, 1, usual=0, steps=np.linspace(-1, 1, 11)) for name in names]
    surface = fit_surface(table, three, response="g")
    assert stationary_point(surface).values == pytest.approx(top, abs=1e-3)
    assert best_region(surface).best == pytest.approx(top)
    assert len(surface_limits(surface)) == 11**3
