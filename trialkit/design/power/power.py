"""Right-sized trials: the chance of an answer, what can be seen, and what to add next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

from trialkit.design.layout.allocation import Allocation
from trialkit.design.layout.search import Progress
from trialkit.design.power import figure, grid
from trialkit.design.power.by_look import power_by_look, shown_by_look
from trialkit.design.power.changes import what_changes_buy
from trialkit.design.power.covariates import covariates_cost, with_covariates
from trialkit.design.power.drawn_plan import comparison_drawn
from trialkit.design.power.drift import planning_variation
from trialkit.design.power.looks import planned_looks
from trialkit.design.power.notes import batch_notes, method_of, notes_on, ranges_of
from trialkit.design.power.questions import (
    QUESTIONS,
    Question,
    Wanted,
    all_chances,
    detectable,
    effect_of,
)
from trialkit.design.power.remains import of_what_remains, remains_notes
from trialkit.design.power.result import PowerTable
from trialkit.design.power.run import Simulated, simulate_power
from trialkit.design.power.sizes import draw_sizes, other_sizes
from trialkit.design.power.variation_pilot import pilot_variation
from trialkit.design.strata.comparisons import Comparison, compare_in
from trialkit.design.strata.covariate_cost import cost_notes
from trialkit.design.strata.remedies import scarce
from trialkit.design.variation import Variation, given_variation
from trialkit.errors import DesignError
from trialkit.right_kind import check_kinds
from trialkit.short_repr import short_repr
from trialkit.trial import Trial
from trialkit.trial.over_time import laid_name, laid_out
from trialkit.wording import Message, spoken

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from trialkit.display import Shown
    from trialkit.model.fit import Fit

LOST = 5.0  #: blocks expected to be lost or contaminated [%]; common practice, no source


@dataclass(frozen=True)
class Power(PowerTable):
    """The chance that a trial answers its question. Make it with `power`.

    What it holds is described at `PowerTable`.
    """

    __repr__ = short_repr

    @cached_property
    def changes(self) -> pd.DataFrame:
        """What can be told as the trial is, and with each change to it; see `what_changes_buy`."""
        return what_changes_buy(self)

    @cached_property
    def needed(self) -> pd.DataFrame:
        """How many of each kind of unit reach the wanted power, all else as it is.

        Columns `unit, now, needed, needed_low, needed_high, added, cost, power`. `needed_low`
        and `needed_high` are the counts at little and at much variation; a count is missing
        where 40 of that unit, or the number there is, would not be enough.
        """
        return grid.how_many(self)

    @cached_property
    def next_step(self) -> pd.DataFrame:
        """What one more of each kind of unit would bring and cost.

        Columns `unit, now, then, power, gain, cost, gain_per_100`, best value first where
        prices are given, otherwise largest gain first.
        """
        return grid.one_more(self)

    @cached_property
    def cheapest(self) -> pd.DataFrame:
        """The cheapest mixes of units that reach the wanted power, cheapest first.

        Columns: one per unit factor, `cost` (missing without prices), `units` (smallest units
        in all), `power`. Empty where up to eight more of each do not get there.
        """
        return grid.cheapest_mixes(self)

    @cached_property
    def by_look(self) -> pd.DataFrame:
        """The chance of an answer by each planned look; empty where none is before the end.

        Columns as `trialkit.design.power.by_look.power_by_look` has them.
        """
        if self.factor != self.trial.question.primary:
            return power_by_look(self.trial, self.variation, self.asked, ())
        return power_by_look(self.trial, self.variation, self.asked, self.questions)

    def _shown(self) -> list[Shown]:
        more = (
            [shown_by_look(self.by_look, self.trial, self.factor, spoken())]
            if len(self.by_look)
            else []
        )
        return [*super()._shown(), *more]

    def grid(self, *, most: int = 8) -> pd.DataFrame:
        """Power with up to `most` more of each kind of unit: `unit, count, added, cost, …`."""
        return grid.grid(self, most=most)

    def curve(self, ax: Axes | None = None, *, most: int = 8) -> Axes:
        """Draw the power against what is added; see `trialkit.design.power.figure`."""
        return figure.draw_curve(self, ax, most=most)

    @cached_property
    def sizes(self) -> pd.DataFrame:
        """The chance with more and fewer of the two outermost kinds of unit, see `other_sizes`."""
        return other_sizes(self)

    def picture(self) -> Figure:
        """Draw the chance for trials of other sizes, today's marked, with what a step costs."""
        return draw_sizes(self)

    def sliders(self) -> Any:
        """Give sliders for counts and effects, for a notebook."""
        return figure.sliders(self, again=power)


def power(
    trial: Trial,
    *,
    factor: str | None = None,
    difference_pct: float | None = None,
    margin_pct: float | None = None,
    true_pct: float = 0.0,
    variation: Mapping[str, float] | Variation | None = None,
    pilot: Fit | None = None,
    lost: float | Mapping[str, float] = LOST,
    questions: Question | Sequence[Question] = QUESTIONS,
    wanted: float = 0.8,
    level: float | None = None,
    joint: bool = True,
    method: str = "auto",
    trials: int = 4_000,
    seed: int | None = None,
    workers: int | None = None,
    cluster: str | None = None,
    progress: Progress | bool | None = None,
    plan: Allocation | None = None,
) -> Power:
    """Work out the chance that a trial answers its question, before it is run.

    Parameters
    ----------
    trial : Trial
    factor : str, optional
        Treatment, or treatments joined by ``":"`` for an interaction; that of the question
        by default.
    difference_pct, margin_pct : float, optional
        Difference worth finding and loss accepted [%]; those of the question by default.
    true_pct : float
        True change in yield for the question "no worse" [%]; 0 means no loss at all.
    variation : mapping or Variation, optional
        Stratum → standard deviation [% of the mean]. Planning ranges by default, marked
        as such.
    pilot : Fit, optional
        A fit to earlier data. Its mean squares and their degrees of freedom say which
        variances are possible, and every power gets the range that follows.
    lost : float or mapping
        Blocks expected to be lost or contaminated [%], or stratum → per cent.
    questions : {"any", "difference", "no worse"} or sequence of them
    wanted : float
        Power aimed at.
    level : float, optional
        Confidence; that of the question by default, or where looks are planned that of the last.
    joint : bool
        Whether limits hold for all levels together, as the analysis has them.
    method : {"auto", "exact", "simulation"}
        ``"auto"`` takes the formula where all the treatment's information lies in one stratum
        and simulates otherwise; ``"exact"`` always takes the formula, and the column `method`
        says whether it is exact.
    trials : int
        Simulated trials.
    seed : int, optional
        Seed of the simulation; the trial's by default.
    workers : int, optional
        Processes on this machine; the numbers do not depend on it.
    cluster : str, optional
        Address of a Dask scheduler to send the work to; the numbers are the same.
    progress : callable or bool, optional
        True shows a bar; a callable is told (done, planned).
    plan : Plan, optional
        The plan so far, where units joined or never began: what remains of it is simulated.

    Returns
    -------
    Power

    Raises
    ------
    DesignError
        Unknown treatment or stratum, or impossible values.

    Notes
    -----
    The error variance of a comparison is that of its stratum: the variances of the stratum
    and of all finer ones, each over its number of units [1]_. The F and t distributions
    with the stratum's error degrees of freedom are then exact in balanced layouts. Other
    treatments that lie partly in this stratum and mostly in finer ones (light on an odd number
    of shelves) are compared there by generalised least squares, and cost this comparison
    little. The ratio behind "no worse" also carries a little of the error of the mean, and its
    degrees of freedom are Satterthwaite's. Where the analysis chooses its error by the data, the
    chance is an average over what it may choose (`trialkit.design.power.error_choice`); where
    levels have unequal numbers of units, its error by level counts. For pilots see
    `trialkit.design.power.variation_pilot`.

    References
    ----------
    .. [1] Nelder (1965), doi:10.1098/rspa.1965.0012; Cohen (1988), ch. 8.

    Examples
    --------
    >>> import trialkit as tk
    >>> p = tk.power(tk.read_trial(tk.demo_folder()), method="exact")
    >>> p.table["question"].tolist()
    ['any', 'difference', 'no worse']
    """
    check_kinds("power", trial=trial)
    import pandas as pd

    name = factor or trial.question.primary
    laid = laid_out(trial)
    asked = _asked(laid, name, difference_pct, margin_pct, true_pct, lost, level, joint)
    questions = (questions,) if isinstance(questions, str) else tuple(questions)
    _check_request(wanted, questions, method)
    chosen: tuple[Question, ...] = questions
    if ":" in name:
        chosen = tuple(q for q in chosen if q != "no worse")
    spread, told_covariates = with_covariates(trial, _variation(trial, variation, pilot))
    plain = compare_in(trial, name)
    c = covariates_cost(trial, plain)
    if plan is None:
        c = comparison_drawn(trial, c)
    chances = all_chances(c, spread, asked, chosen)
    simulated: Simulated | None = None
    parted = bool(trial.never_grown) or (plan is not None and plan.in_parts)
    if method == "simulation" or (method == "auto" and (parted or not c.orthogonal)):
        simulated = simulate_power(
            trial,
            c,
            spread,
            asked,
            chosen,
            trials=trials,
            seed=seed,
            workers=workers,
            cluster=cluster,
            progress=progress,
            plan=plan,
        )
    table = pd.DataFrame(_exact_rows(c, chances, spread, asked, wanted))
    if simulated is not None:
        table = simulated.put_into(table)
    if trial.never_grown:
        table = of_what_remains(trial, c, table)
    return Power(
        trial=trial,
        factor=name,
        table=table,
        variation=spread,
        wanted=wanted,
        comparison=c,
        asked=asked,
        questions=chosen,
        said=(
            *_scarce_notes(trial, c, asked),
            *ranges_of(table, spread),
            *notes_on(c, spread, asked),
            *batch_notes(trial, c),
            *told_covariates,
            *cost_notes(trial, name, plain.stratum, plain.error_df),
            *(simulated.notes if simulated else ()),
            *remains_notes(trial),
        ),
    )


def _scarce_notes(trial: Trial, c: Comparison, asked: Wanted) -> list[Message]:
    """Say where next to nothing is left to judge a treatment by, and the remedy."""
    if c.name not in trial.factors:
        return []
    said = scarce(trial, c.name, c.left_df(asked.lost))
    return [said] if said else []


def _check_request(wanted: float, questions: Sequence[str], method: str) -> None:
    if not 0 < wanted < 1:
        raise DesignError(f"wanted={wanted:g} must lie between 0 and 1, such as 0.8")
    unknown = [q for q in questions if q not in QUESTIONS]
    if unknown:
        raise DesignError(f"unknown question {unknown[0]!r}; there are {', '.join(QUESTIONS)}")
    if method not in ("auto", "exact", "simulation"):
        raise DesignError(f'method={method!r} is not known; use "auto", "exact" or "simulation"')


def _exact_rows(
    c: Comparison,
    chances: Mapping[Question, tuple[float, float, float]],
    spread: Variation,
    asked: Wanted,
    wanted: float,
) -> list[dict[str, Any]]:
    """Give one row per question with the exact powers."""
    rows = []
    free = c.solve(spread.point(1), asked.lost).free_df()
    for question, (low, middle, high) in chances.items():
        rows.append(
            {
                "question": question,
                "effect_pct": asked.true_pct
                if question == "no worse"
                else effect_of(question, asked),
                "power": middle,
                "low": low,
                "high": high,
                "detectable_pct": detectable(c, question, spread, asked, wanted),
                "error_df": c.left_df(asked.lost, free=free),
                "n_units": c.sizes[c.stratum],
                "method": method_of(c, question, spread, asked),
            }
        )
    return rows


def _asked(
    trial: Trial,
    name: str,
    difference_pct: float | None,
    margin_pct: float | None,
    true_pct: float,
    lost: float | Mapping[str, float],
    level: float | None,
    joint: bool,
) -> Wanted:
    question = trial.question
    first = trial.factors.get(name.split(":")[0])
    reference = list(first.levels).index(first.reference) if first else 0
    smallest = ":".join(trial.structure.strata(trial.counts)[-1])
    given = {smallest: lost} if isinstance(lost, (int, float)) else dict(lost)
    stands_for = trial.structure.merged(trial.counts)
    shares: dict[str, float] = {}
    for stratum, share in given.items():
        term = trial.structure.term(laid_name(trial, stratum))
        if term not in stands_for:
            raise DesignError(f"lost: there is only one {stratum}, which cannot be lost in part")
        shares[":".join(stands_for[term])] = float(share)
    for stratum, share in shares.items():
        if not 0 <= share < 100:
            raise DesignError(f"lost: {share:g} % of {stratum} must lie from 0 to below 100")
    margin = question.margin_pct if margin_pct is None else margin_pct
    difference = question.difference_pct if difference_pct is None else difference_pct
    if not 0 < margin < 100 or difference <= 0:
        raise DesignError("the difference must be above 0 %, the margin between 0 and 100 %")
    return Wanted(
        difference_pct=difference,
        margin_pct=margin,
        true_pct=true_pct,
        level=_level_at_end(trial) if level is None else level,
        joint=joint,
        reference=reference,
        lost={stratum: share / 100 for stratum, share in shares.items()},
    )


def _level_at_end(trial: Trial) -> float:
    """Give the confidence of the limits once all batches are in."""
    looks = planned_looks(trial)
    return looks[-1].level if looks else trial.question.level


def _variation(
    trial: Trial, variation: Mapping[str, float] | Variation | None, pilot: Fit | None
) -> Variation:
    if variation is not None and pilot is not None:
        raise DesignError("give either variation or pilot, not both")
    if pilot is not None:
        return pilot_variation(trial, pilot)
    if isinstance(variation, Variation):
        return variation
    if variation is not None:
        return given_variation(laid_out(trial), variation)
    return planning_variation(trial)
