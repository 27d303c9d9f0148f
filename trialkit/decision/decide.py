"""The pre-stated question answered in one sentence, or an honest 'not enough evidence'."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, cast

from trialkit.decision.doubts import early_look, uneven_losses
from trialkit.decision.further import next_setting
from trialkit.decision.money import Money, value_by_level
from trialkit.decision.settle import batches_to_settle, settle_in_words
from trialkit.decision.use import USE_COLUMNS, run_totals, use_by_level
from trialkit.display import Shown, show_table
from trialkit.errors import Finding

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.analysis import Analysis
    from trialkit.trial import Trial

Answer = Literal["better", "no worse", "worse", "not enough evidence", "blocked"]
_RANK: dict[str, int] = {"better": 0, "no worse": 1, "not enough evidence": 2, "worse": 3}


@dataclass(frozen=True)
class Verdict:
    """What the trial says. Make it with `decide`.

    Parameters
    ----------
    answer : str
        ``"better"``, ``"no worse"``, ``"worse"``, ``"not enough evidence"`` or ``"blocked"``.
    level : str
        The level the answer is about.
    sentence : str
        The answer in one sentence, with the number, its limits and the chance of being wrong.
    table : DataFrame
        One row per level against the control: `level, reference, ratio, low, high, p, answer,
        sentence` and the other columns of `Analysis.ratios`, its `p` included.
    totals : DataFrame
        Yield, water and energy of each chamber run.
    use : DataFrame
        Water and energy per kilogram by level, with the saving against the control.
    money : Money or None
        At the user's prices, where given.
    settle : DataFrame
        Chance of a clear answer with more batches.
    needed : int or None
        Batches in all for a clear answer with 80 % chance.
    next_steps : tuple of str
    findings : tuple of Finding
    """

    answer: Answer
    level: str
    sentence: str
    table: pd.DataFrame
    totals: pd.DataFrame
    use: pd.DataFrame
    money: Money | None
    settle: pd.DataFrame
    needed: int | None
    next_steps: tuple[str, ...]
    findings: tuple[Finding, ...]

    def _shown(self) -> list[Shown]:
        shown = [
            show_table(
                self.table,
                columns=["level", "reference", "ratio", "low", "high", "answer"],
                heads={"reference": "against"},
                caption="Yield as a ratio to the control; limits hold jointly",
            )
        ]
        if len(self.use):
            shown.append(
                show_table(
                    self.use,
                    columns=["use", "unit", "level", "estimate", "low", "high", "saving_pct"],
                    heads={"saving_pct": "saving [%]"},
                    caption="Water and energy per kilogram of fresh mushrooms",
                )
            )
        return shown

    def __str__(self) -> str:
        parts = [self.sentence, *(t.text() for t in self._shown()), *self.next_steps]
        return "\n\n".join(parts)

    def _repr_html_(self) -> str:
        import html

        body = "".join(t.html() for t in self._shown())
        return f"<p><strong>{html.escape(self.sentence)}</strong></p>{body}"


def decide(trial: Trial, result: Analysis) -> Verdict:
    """Answer the question that was stated before the trial.

    Parameters
    ----------
    trial : Trial
    result : Analysis

    Returns
    -------
    Verdict

    Notes
    -----
    Each level is compared with the control by the ratio of their means; the limits hold
    jointly for all levels. A level is *better* when its limits lie above 1, *no worse* when
    they lie above 1 minus the accepted loss, *worse* when they lie below that bound, and
    otherwise there is *not enough evidence*. A finding marked "stop" blocks the verdict.
    The answer is about blocks that were harvested; findings say where blocks were lost
    unevenly, and where parts of the planned harvest are not in yet.

    Examples
    --------
    >>> import trialkit as tk
    >>> trial = tk.read_trial(tk.demo_folder())
    >>> data = tk.align(trial, tk.read_harvest(trial), tk.read_environment(trial),
    ...                 tk.read_mist(trial))
    >>> tk.decide(trial, tk.analyse(trial, data)).answer in _RANK
    True
    """
    table = _answers(trial, result)
    totals = run_totals(trial, result.data)
    use, found = use_by_level(trial, totals) if len(totals) else (_no_use(), [])
    money, priced = value_by_level(trial, totals)
    settle, needed = batches_to_settle(trial, result)
    doubts = (*early_look(trial, result), *uneven_losses(trial, result))
    findings = (*result.findings, *doubts, *found, *priced)
    stops = [f for f in findings if f.severity == "stop"]
    chosen = _choose(table, use, money)
    answer: Answer = "blocked" if stops else cast("Answer", table.loc[chosen, "answer"])
    sentence = str(table.loc[chosen, "sentence"])
    if stops:
        sentence = "No verdict: " + "; ".join(f.message for f in stops) + "."
    return Verdict(
        answer=answer,
        level=str(table.loc[chosen, "level"]),
        sentence=sentence,
        table=table,
        totals=totals,
        use=use,
        money=money,
        settle=settle,
        needed=needed,
        next_steps=tuple(_next_steps(trial, result, answer, str(table.loc[chosen, "level"]),
                                     settle, needed, stops, use)),
        findings=findings,
    )  # fmt: skip


def _no_use() -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame(columns=USE_COLUMNS)


def _answers(trial: Trial, result: Analysis) -> pd.DataFrame:
    table = result.ratios.copy()
    kinds = {"better": "better", "no worse": "no worse", "no worse, though lower": "no worse",
             "worse": "worse"}  # fmt: skip
    table["answer"] = [kinds.get(v, "not enough evidence") for v in table["verdict"]]
    table["sentence"] = [_sentence(trial, row, result) for _, row in table.iterrows()]
    return table


def _choose(table: pd.DataFrame, use: pd.DataFrame, money: Money | None) -> int:
    """Pick the level the headline is about: the best answer, then money, then water, then yield."""
    gain = {}
    if money is not None:
        gain = dict(zip(money.table["level"], money.table["gain"], strict=True))
    saved = {}
    if len(use):
        water = use[use["use"] == "water_l"]
        saved = dict(zip(water["level"], water["saving_pct"], strict=True))

    ratios = table["ratio"].astype(float)

    def worth(i: int) -> tuple[float, ...]:
        row = table.loc[i]
        by_money = gain.get(str(row["level"]), 0.0)
        by_water = saved.get(str(row["level"]), 0.0)
        return (-_RANK[str(row["answer"])], by_money, by_water, float(ratios.loc[i]))

    return int(max(table.index, key=worth))


def _percent(ratio: float) -> str:
    """Say a ratio as a change; no yield is below nothing, and a limit may be open above."""
    if ratio == math.inf:
        return "any amount more"
    change = 100 * (max(ratio, 0.0) - 1)
    if abs(change) < 0.5:
        return "the same"
    return f"{abs(change):.0f} % {'more' if change > 0 else 'less'}"


def _sentence(trial: Trial, row: pd.Series, result: Analysis) -> str:
    """Say one level's answer with the number, its limits and the chance of being wrong."""
    level, against = row["level"], row["reference"]
    margin = trial.question.margin_pct
    if not math.isfinite(row["ratio"]):
        return f"{level} cannot be compared with {against}: {row['note']}."
    limits = (
        f"{100 * trial.question.level:g} % limits {_percent(row['low'])} to {_percent(row['high'])}"
    )
    got = f"{_percent(row['ratio'])} than {against}"
    if got.startswith("the same"):
        got = f"the same as {against}"
    if row["answer"] == "better":
        p = _p_of(result, level)
        return (
            f"{level} gave {got} ({limits}); were there no difference, one so large would come "
            f"up in {_chance_in_words(p)} trials."
        )
    if row["answer"] == "no worse":
        extra = ", so it does give a little less" if row["high"] < 1 else ""
        return (
            f"{level} is no worse than {against} by the accepted {margin:g} %: it gave {got} "
            f"({limits}){extra}; if it truly lost {margin:g} %, a result this good would come "
            f"up in {_chance_in_words(row['p'])} trials."
        )
    if row["answer"] == "worse":
        return (
            f"{level} is worse than {against} by more than the accepted {margin:g} %: it gave "
            f"{got} ({limits})."
        )
    if row["high"] < 1:
        return (
            f"There is not enough evidence on {level}: it gave less, {got} ({limits}), but "
            f"whether the loss is beyond the accepted {margin:g} % stays open."
        )
    return (
        f"There is not enough evidence on {level}: it gave {got}, but the {limits} leave room "
        f"for a loss beyond the accepted {margin:g} % as well as for none."
    )


def _p_of(result: Analysis, level: object) -> float:
    """Give the p of a level's difference from the reference, whichever of the two stands first."""
    primary = result.trial.primary
    rows = result.differences[primary.name]
    pair = {str(level), str(primary.reference)}
    same = [{str(a), str(b)} == pair for a, b in zip(rows["first"], rows["second"], strict=True)]
    return float(rows.loc[same, "p"].iloc[0])


def _chance_in_words(p: float) -> str:
    if p < 0.001:
        return "fewer than 1 in 1000"
    if p < 0.0095:
        return f"about {1000 * p:.0f} in 1000"
    return f"about {100 * p:.0f} in 100"


def _next_steps(
    trial: Trial,
    result: Analysis,
    answer: Answer,
    level: str,
    settle: pd.DataFrame,
    needed: int | None,
    stops: list[Finding],
    use: pd.DataFrame,
) -> list[str]:
    if stops:
        return [f"First: {f.remedy or f.message}" for f in stops]
    further = next_setting(trial, result)
    control = trial.primary.reference
    if answer == "better":
        return [f"Use {level}, keep one chamber on {control} for a batch to see it hold."]
    if answer == "no worse":
        saves = use.loc[use["level"] == level, "saving_low_pct"].max() > 0
        why = "what it saves is worth it" if saves else "it is cheaper or easier to run"
        return [
            f"Use {level} if {why}, and keep one chamber on {control} for a batch to see it hold.",
            *([further.sentence] if further else []),
        ]
    if answer == "worse":
        return [
            f"Keep {control}; a level between {control} and {level} may be worth a trial.",
            *([further.sentence] if further else []),
        ]
    return [settle_in_words(settle, needed)]
