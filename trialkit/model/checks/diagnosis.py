"""What could mislead in a fitted model: one call, findings in plain words.

The result holds the numbers behind every finding, so that a figure or a report needs
nothing else: `rows` (residuals and leverage), `effects` (predicted effects), `influence`
(what changes without each batch, chamber or block).
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from trialkit.arrays import Floats
from trialkit.display import Shown, show_table
from trialkit.errors import Finding, ModelError
from trialkit.model.answers.means import mean_cells
from trialkit.model.checks import single as checks
from trialkit.model.checks.effect_equations import Grouped
from trialkit.model.checks.influence import Solved, cluster_influence, deletion_measures
from trialkit.model.checks.scale import PowerHint, power_hint
from trialkit.model.checks.single import Checked
from trialkit.model.fitted import Fitted
from trialkit.short_repr import short_repr
from trialkit.wording import Chance, Joined, Units, finding, message, spoken

MOST_EFFECTS = 6000  # effects beside the largest term: beyond, their square is too much memory
HELD_EFFECTS = 300  # effects above which the check of the scale holds the ratios of the variances
FEW_LEVELS, MOVES_HALF = 50, 0.5  # above so many levels, refit only if one moves so much
MOST_LEVELS = 1500  # levels of one term that are left out one by one


@dataclass(frozen=True)
class Diagnosis:
    """Checks of a fitted model.

    Parameters
    ----------
    checked : tuple of Checked
        Every check, in order; `table` shows them.
    findings : tuple of Finding
        What was found, most severe first.
    influence : DataFrame
        One row per level of each random term, see
        `trialkit.model.checks.influence.cluster_influence`; variances held at their estimates.
    refitted : DataFrame
        For the most influential level of each term, a whole new fit without it: `term, level,
        tested, p, p_without, cooks_d`.
    rows : DataFrame
        One row per row used: `fitted, residual` (unit of the response) `, standardised,
        leverage`.
    effects : DataFrame
        One row per level of each random term: `term, level, effect, standardised`.
    power : PowerHint or None
        Power of the response preferred; None where values are not positive.
    """

    checked: tuple[Checked, ...]
    findings: tuple[Finding, ...]
    influence: pd.DataFrame = field(repr=False)
    refitted: pd.DataFrame = field(repr=False)
    rows: pd.DataFrame = field(repr=False)
    effects: pd.DataFrame = field(repr=False)
    power: PowerHint | None = field(default=None, repr=False)

    __repr__ = short_repr

    @property
    def table(self) -> pd.DataFrame:
        """One row per check: `check, result, detail`, said in the language in use.

        `result` is "sound", "look" or "not judged".
        """
        codes = {True: "sound", False: "look", None: "not judged"}
        rows = [(str(c.check), codes[c.sound], str(c.detail)) for c in self.checked]
        return pd.DataFrame(rows, columns=["check", "result", "detail"])

    def _shown(self) -> Shown:
        say = spoken()
        look = sum(one.sound is False for one in self.checked)
        caption = (
            say.choose("checks.caption.look", look) if look else say.text("checks.caption.sound")
        )
        formats = {"result": lambda code: say.either(f"result.{code}", str(code))}
        heads = {name: say.text(f"column.{name}") for name in ("check", "result", "detail")}
        notes = [str(f) for f in self.findings]
        return show_table(self.table, heads=heads, formats=formats, caption=caption, notes=notes)

    def __str__(self) -> str:
        return self._shown().text()

    def _repr_html_(self) -> str:
        return self._shown().html()


def diagnose(fit: Fitted) -> Diagnosis:
    """Check what could mislead in a fitted model, and say what to do about it.

    Looks at the search, variances at the edge, rows and levels that the answer leans on,
    unequal spread, outliers, normality and the scale of the response.

    Parameters
    ----------
    fit : Fitted
        A fitted model.

    Returns
    -------
    Diagnosis

    Notes
    -----
    Leaving out a level uses the algebra of `trialkit.model.checks.influence` with the variances
    held; only the most influential level of each term is fitted again. Above 3000 random
    effects the row-wise checks are left out and said to be.

    Examples
    --------
    Six invented chambers, one of them far too wet:

    >>> from trialkit.model.fit import fit
    >>> rng = np.random.default_rng(3)
    >>> table = pd.DataFrame({
    ...     "chamber": np.repeat(["T1", "T2", "T3", "T4", "T5", "T6"], 4),
    ...     "schedule": np.repeat(["usual", "sparse"] * 3, 4),
    ... })
    >>> table["fresh_g"] = 400 + np.repeat([0, 5, -4, 3, 8, 150.0], 4) + rng.normal(0, 9, 24)
    >>> result = diagnose(fit(table, response="fresh_g", fixed="schedule", random=["chamber"]))
    >>> [finding.code for finding in result.findings]
    ['outlying_level']
    >>> str(result.influence["level"][result.influence["cooks_d"].idxmax()])
    'T6'
    """
    sizes = [g.q for g in fit.groupings]
    few = sum(sizes) - max(sizes, default=0) <= MOST_EFFECTS
    done: list[Checked] = [checks.check_search(fit)]
    hint = None
    influence, refitted = pd.DataFrame(), pd.DataFrame()
    effects = pd.DataFrame(columns=["term", "level", "effect", "standardised"])
    rows = pd.DataFrame(
        {"fitted": fit.y - fit.residuals, "residual": fit.residuals}, index=fit.table.index
    )
    if few:
        solved = solved_of(fit)
        done.append(checks.check_edge(fit, solved if fit.is_large else None))
        quick = fit.is_large or sum(sizes) > HELD_EFFECTS
        if (fit.y > 0).all():
            hint = power_hint(fit, solved=solved if quick else None)
        rows["standardised"], rows["leverage"] = solved.standardised, solved.leverage
        done += row_checks(fit, solved)
        effects, more = effect_checks(solved)
        influence, refitted, leaning = influence_checks(fit, solved)
        done += [*more, *leaning, checks.check_power(fit, hint, held=quick)]
    else:
        done.append(Checked(message("check.rows"), None, message("check_detail.many_effects")))
    rank = {"stop": 0, "caution": 1, "note": 2}
    found = sorted((f for one in done for f in one.findings), key=lambda f: rank[f.severity])
    return Diagnosis(tuple(done), tuple(found), influence, refitted, rows, effects, hint)


def solved_of(fit: Fitted) -> Solved:
    """Take a fit as generalised least squares with its variances held."""
    terms = tuple(
        Grouped(
            g.term.name,
            g.codes,
            g.labels,
            float(fit.variances[g.term.name]),
            None if g.weight is None else g.weight * g.unit,
        )
        for g in fit.groupings
    )
    residual = np.full(fit.n, float(fit.variances.iloc[-1]))
    if fit.spec.residual_by is not None:
        column = fit.spec.residual_by
        named = fit.table[column].map(lambda v: f"residual[{column}={v}]")
        residual = fit.variances.reindex(named).to_numpy(dtype=float)
    return Solved(fit.data.X, fit.y, terms, residual)


def row_checks(fit: Fitted, solved: Solved) -> list[Checked]:
    """Check single rows: leverage, outliers, spread, normality."""
    out = [checks.check_leverage(fit, solved), checks.check_outliers(fit, solved)]
    columns = [c for c in fit.design.levels if c in fit.table.columns]
    columns += [c for g in fit.groupings for c in g.term.columns if g.q <= 50]
    out += [checks.check_spread(fit, solved, column) for column in dict.fromkeys(columns)]
    name = message("check_words.residuals")
    out.append(checks.check_shape(name, solved.standardised, form="rows"))
    return out


def effect_checks(solved: Solved) -> tuple[pd.DataFrame, list[Checked]]:
    """Check the effects of each random term: outlying levels and normality."""
    frames, done = [], []
    for term in solved.terms:
        effect, standardised = solved.effects(term)
        frames.append(
            pd.DataFrame(
                {
                    "term": term.name,
                    "level": list(term.labels),
                    "effect": effect,
                    "standardised": standardised,
                }
            )
        )
        done.append(checks.check_effects(term, standardised, solved.free_effects(term)))
        name = message("check_words.effects", units=Units(tuple(term.name.split(":"))))
        done.append(checks.check_shape(name, standardised, form="effects"))
    if not frames:
        return pd.DataFrame(columns=["term", "level", "effect", "standardised"]), done
    return pd.concat(frames, ignore_index=True), done


def watched_comparisons(fit: Fitted) -> tuple[Floats, list[str]]:
    """Give every estimable difference of marginal means, as rows over the kept coefficients.

    A model without factors has its coefficients watched instead.
    """
    rows, names = [], []
    for factor in fit.design.levels:
        (cells,) = mean_cells(fit, factor)
        for i, j in itertools.combinations(range(len(cells.labels)), 2):
            rows.append(cells.rows[i] - cells.rows[j])
            names.append(f"{factor} {cells.labels[i]} - {cells.labels[j]}")
    L = np.array(rows).reshape(-1, len(fit.names))
    able = fit.design.estimable(L) if len(L) else np.zeros(0, dtype=bool)
    if not able.any():
        kept = [name for name, keep in zip(fit.names, fit.design.kept, strict=True) if keep]
        return np.eye(fit.p), kept
    return L[able][:, fit.design.kept], [n for n, ok in zip(names, able, strict=True) if ok]


def influence_checks(
    fit: Fitted, solved: Solved
) -> tuple[pd.DataFrame, pd.DataFrame, list[Checked]]:
    """Leave out each level of each random term; fit again without the worst of each."""
    contrasts, names = watched_comparisons(fit)
    whole = fit.tests()["p"]
    frames, refits, done = [], [], []
    for term in solved.terms:
        if len(term.labels) > MOST_LEVELS or len(term.labels) == fit.n or term.weight is not None:
            continue
        table = cluster_influence(solved, term, contrasts, names)
        frames.append(table)
        done.append(checks.check_influence(term.name, table))
        if len(term.labels) > FEW_LEVELS and not table["change_se"].abs().max() > MOVES_HALF:
            continue  # one small unit among many that moves nothing: no need to fit again
        again = refit_without_worst(fit, term, table, whole)
        refits.append(again)
        done += conclusion_checks(fit, term.name, again)
    influence = pd.concat(frames, ignore_index=True) if frames else pd.DataFrame()
    # put together row by row: pandas 2 warns where a table is empty or a column of it all missing
    rows = [row for again in refits for row in again.to_dict("records")]
    refitted = pd.DataFrame(rows, columns=refits[0].columns) if refits else pd.DataFrame()
    return influence, refitted, done


def refit_without_worst(
    fit: Fitted, term: Grouped, table: pd.DataFrame, whole: pd.Series
) -> pd.DataFrame:
    """Fit again without the level that moves a comparison most; compare the tests."""
    columns = ["term", "level", "tested", "p", "p_without", "cooks_d"]
    moves = np.nan_to_num(table["change_se"].to_numpy(dtype=float, na_value=np.nan))
    code = int(np.abs(moves).argmax())
    if moves[code] == 0:
        return pd.DataFrame(columns=columns)
    keep = term.codes != code
    try:
        other = fit.refit(keep=keep)
        tests = pd.DataFrame({"p": whole, "p_without": other.tests()["p"]})
    except ModelError:
        return pd.DataFrame(columns=columns)
    cooks = np.nan
    if other.names == fit.names and (other.design.kept == fit.design.kept).all():
        kept = fit.design.kept
        measures = deletion_measures(
            fit.kept_beta,
            fit.vcov[np.ix_(kept, kept)],
            other.kept_beta,
            other.vcov[np.ix_(kept, kept)],
        )
        cooks = measures["cooks_d"]
    out = tests.reset_index(names="tested")
    out.insert(0, "level", term.labels[code])
    out.insert(0, "term", term.name)
    out["cooks_d"] = cooks
    return out[columns]


def conclusion_checks(fit: Fitted, term: str, again: pd.DataFrame) -> Sequence[Checked]:
    """Say where leaving out one level would change a conclusion."""
    edge = 1 - fit.level
    turned = again[(again["p"] < edge) != (again["p_without"] < edge)].dropna(
        subset=["p", "p_without"]
    )
    if not len(again):
        return []
    level = checks.level_name(term, again["level"].iloc[0])
    name = message("check.conclusions", level=level)
    if not len(turned):
        return [Checked(name, True, message("check_detail.same"))]
    moves = Joined(
        tuple(
            message(
                "check_words.turned",
                term=str(one),
                p=Chance(float(p)),
                without=Chance(float(other)),
            )
            for one, p, other in zip(
                turned["tested"], turned["p"], turned["p_without"], strict=True
            )
        ),
        ", ",
    )
    found = finding("conclusion_leans", "caution", level=level, moves=moves)
    detail = message("check_detail.turned", moves=moves)
    return [Checked(name, False, detail, (found,))]
