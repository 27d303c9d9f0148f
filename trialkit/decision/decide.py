"""The question that was asked before the trial, answered, or an honest 'not enough evidence'."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal, cast

from trialkit.columns.response import response_of
from trialkit.decision.cells import cells_sentence, common_answer
from trialkit.decision.depends import ANSWERS, BY_COLUMNS, Dependence, dependence
from trialkit.decision.doubts import early_look, uneven_losses
from trialkit.decision.harvest_ahead import harvest_ahead
from trialkit.decision.logarithm import on_the_logarithm
from trialkit.decision.look_words import look_words
from trialkit.decision.measures import MEASURE_COLUMNS, measures_by_level, shown_measures
from trialkit.decision.money import Money, value_by_level
from trialkit.decision.readings import (
    disagreement,
    drawn_after_harvest,
    judged_readings,
    late_draw,
    no_readings,
    readings_disagree,
    show_readings,
)
from trialkit.decision.recommend import Recommendation, recommend
from trialkit.decision.sentences import level_sentence
from trialkit.decision.settle import batches_to_settle
from trialkit.decision.steps import Outlook, next_steps
from trialkit.decision.use import USE_COLUMNS, run_findings, run_totals, use_by_level
from trialkit.display import Shown, show_lines, show_table
from trialkit.errors import Finding
from trialkit.right_kind import check_kinds
from trialkit.short_repr import short_repr
from trialkit.tabular import Tabular
from trialkit.wording import Joined, Message, message, spoken

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.analysis.by_run import Fits
    from trialkit.analysis.result import Analysis
    from trialkit.trial import Trial

Answer = Literal["better", "no worse", "depends", "not enough evidence", "worse", "blocked"]
_RANK: dict[str, int] = {
    "better": 0,
    "no worse": 1,
    "depends": 2,
    "not enough evidence": 3,
    "worse": 4,
}


def _no_measures() -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame(columns=MEASURE_COLUMNS)


def _empty_by() -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame(columns=[*BY_COLUMNS, "sentence"])


@dataclass(frozen=True)
class Verdict(Tabular):
    """What the trial says. Make it with `decide`.

    Parameters
    ----------
    answer : str
        ``"better"``, ``"no worse"``, ``"depends"`` (on another treatment or on the batch, see
        `by`), ``"not enough evidence"``, ``"worse"`` or ``"blocked"``.
    level : str
        The level the answer is about.
    said : object
        The answer in words, with the number, its limits and the chance of being wrong; `sentence`
        says it in the language in use.
    sentences : mapping
        Level → what is said of it; says itself in the language in use.
    table : DataFrame
        One row per level against the control: `level, reference, ratio, low, high, p, answer,
        sentence` (in the language in use when it was made) and the other columns of
        `Analysis.ratios`, its `p` included.
    totals : DataFrame
        Yield, water and energy of each chamber run.
    use : DataFrame
        Water and energy per kilogram by level, with the saving against the control.
    money : Money or None
        At the user's prices, where given.
    settle : DataFrame
        Chance of a clear answer with more batches.
    needed : int or None
        Batches in all for a clear answer 8 times in 10.
    steps : tuple of Message
        What to do next; `next_steps` says it in the language in use.
    findings : tuple of Finding
    depends_on : str
        The other treatment, or ``"batch"``, that the effect was found to depend on; else empty.
    depending : tuple of str
        Levels whose own comparison with the control was found to depend on it.
    by : DataFrame
        Where it depends on something, one row per level of that and of the treatment: `factor,
        at, level, reference, ratio, low, high, p, answer`; limits and `p` allow for all rows.
    logarithm : DataFrame or None
        Where spread grows with the mean, the same comparison on the logarithm: `level,
        reference, ratio, low, high, p, answer`, ratios being those of geometric means.
    recommended : Recommendation or None
        The level to use, by the answer and by what was priced; None where the verdict is
        blocked or depends on something.
    measures : DataFrame
        What growers decide on, by level: `measure, unit, level, estimate, low, high, change_pct,
        change_low_pct, change_high_pct, runs` (`trialkit.decision.measures`).
    readings : DataFrame
        Where the trial file tells of slips: as planned and as given side by side, `reading,
        followed, level, reference, ratio, low, high, p, answer, runs`; else no rows.
    invented : bool
        Whether the trial is made up.
    """

    answer: Answer
    level: str
    said: object
    sentences: Mapping[str, object]
    table: pd.DataFrame
    totals: pd.DataFrame
    use: pd.DataFrame
    money: Money | None
    settle: pd.DataFrame
    needed: int | None
    steps: tuple[Message, ...]
    findings: tuple[Finding, ...]
    depends_on: str = ""
    depending: tuple[str, ...] = ()
    by: pd.DataFrame = field(default_factory=_empty_by)
    logarithm: pd.DataFrame | None = None
    recommended: Recommendation | None = None
    measures: pd.DataFrame = field(default_factory=_no_measures)
    readings: pd.DataFrame = field(default_factory=no_readings)
    invented: bool = False

    _entries = (
        "answer", "level", "sentence", "depends_on",
        "table", "needed", "next_steps", "findings",
    )  # fmt: skip
    __repr__ = short_repr

    @property
    def sentence(self) -> str:
        """The answer in the language in use."""
        return str(self.said)

    @property
    def disagrees(self) -> bool:
        """Whether as planned and as given give different answers."""
        return readings_disagree(self.readings)

    @property
    def next_steps(self) -> tuple[str, ...]:
        """What to do next, in the language in use."""
        return tuple(str(step) for step in self.steps)

    def _ratios_shown(self, table: pd.DataFrame, caption: str) -> Shown:
        say = spoken()
        columns = ["level", "reference", "ratio", "low", "high", "answer"]
        columns = ["at", *columns] if "at" in table else columns
        heads = {name: say.either(f"column.{name}", name) for name in columns}
        return show_table(
            table.assign(answer=[say.either(f"row_answer.{a}", str(a)) for a in table["answer"]]),
            columns=columns,
            heads=heads | {"at": self._on()},
            caption=caption,
        )

    def _on(self) -> str:
        return spoken().either(f"term.{self.depends_on}", self.depends_on)

    def shown_by(self) -> Shown:
        """Format the answer at each level of what it depends on."""
        return self._ratios_shown(self.by, spoken().text("verdict_table.by", factor=self._on()))

    def shown_readings(self) -> Shown:
        """Format as planned and as given side by side."""
        return show_readings(self.readings, spoken())

    def _shown(self) -> list[Shown]:
        say = spoken()
        joint = "joint" if len(self.table) > 1 else "alone"
        caption = say.text(f"verdict_table.ratio.{joint}")
        if self.depends_on:
            caption = say.text("verdict_table.average", caption=caption, factor=self._on())
        shown = [self._ratios_shown(self.table, caption)]
        if len(self.readings):
            shown.append(self.shown_readings())
        if len(self.by):
            shown.append(self.shown_by())
        if self.logarithm is not None:
            caption = say.text(f"verdict_table.logarithm.{joint}")
            shown.append(self._ratios_shown(self.logarithm, caption))
        if len(self.measures):
            columns = [name for name in MEASURE_COLUMNS if name not in ("unit", "runs")]
            shown.append(
                show_table(
                    shown_measures(self.measures, say, {}),
                    columns=columns,
                    heads={name: say.text(f"column.{name}") for name in columns},
                    caption=say.text("verdict_table.measures"),
                )
            )
        if len(self.use):
            columns = ["use", "unit", "level", "estimate", "low", "high", "saving_pct"]
            shown.append(
                show_table(
                    self.use.assign(use=[say.text(f"figure.use.{u}") for u in self.use["use"]]),
                    columns=columns,
                    heads={name: say.text(f"column.{name}") for name in columns},
                    caption=say.text("verdict_table.use"),
                )
            )
        return shown

    def _told(self) -> list[str]:
        return [spoken().text("trial_words.invented")] if self.invented else []

    def __str__(self) -> str:
        parts = [*self._told(), self.sentence, *(t.text() for t in self._shown()), *self.next_steps]
        return "\n\n".join(parts)

    def _repr_html_(self) -> str:
        import html

        told = "".join(f"<p>{html.escape(line)}</p>" for line in self._told())
        body = "".join(t.html() for t in self._shown()) + show_lines(self.next_steps).html()
        return f"{told}<p><strong>{html.escape(self.sentence)}</strong></p>{body}"


def decide(trial: Trial, result: Analysis) -> Verdict:
    """Answer the question that was asked before the trial.

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
    otherwise there is *not enough evidence*. Where less of the response is better (days to
    harvest), all of it is on the other side of 1. Where the effect depends on another treatment
    or on the batch, the answer is given at each level of it, and an answer over all of them
    only where each carries it (`trialkit.decision.depends` has the rule). At a look that the
    trial file plans, limits have the level of that look. A finding marked
    "stop" blocks the verdict. The answer is about blocks that were harvested; findings say where
    blocks were lost unevenly, and where parts of the planned harvest are not in yet. Where units
    were given something else than planned, the answer follows the levels as given only if the
    trial file says of every slip that it was not because of the harvest; where the two readings
    give different answers, that comes first.

    Examples
    --------
    >>> import trialkit as tk
    >>> trial = tk.read_trial(tk.demo_folder())
    >>> data = tk.align(trial, tk.read_harvest(trial), tk.read_environment(trial),
    ...                 tk.read_mist(trial))
    >>> tk.decide(trial, tk.analyse(trial, data)).answer in _RANK
    True
    """
    check_kinds("decide", trial=trial, result=result)
    if result.look is not None:
        trial = result.trial  # with the level of this look
    response = response_of(result.terms.response, trial.harvest_columns)
    depends = dependence(trial, result, better=response.better)
    table, by, sentences = _answers(trial, result, depends)
    totals = run_totals(trial, result.data)
    known: Fits = {}
    use, found = use_by_level(trial, totals, known=known) if len(totals) else (_no_use(), [])
    money, priced = value_by_level(trial, totals, known=known)
    settle, needed = batches_to_settle(trial, result)
    depending = set(table.loc[table["answer"] == "depends", "level"].astype(str))
    logarithm = on_the_logarithm(trial, result, depends_on=depends.on, depending=depending)
    ahead = harvest_ahead(trial, result)
    doubts = (*depends.findings, *logarithm.findings)
    doubts = (*doubts, *(early_look(trial, result, ahead) if ahead is not None else ()))
    doubts = (*doubts, *uneven_losses(trial, result), *run_findings(trial, totals))
    findings = (*result.findings, *doubts, *found, *priced)
    stops = [f for f in findings if f.severity == "stop"]
    chosen = _choose(table, use, money, better=response.better)
    level = str(table.loc[chosen, "level"])
    answer: Answer = "blocked" if stops else cast("Answer", table.loc[chosen, "answer"])
    added = logarithm.sentences.get(level, "")
    readings = judged_readings(result)
    first = (drawn_after_harvest(findings), disagreement(readings))
    looked = look_words(result.look, answer, table["answer"].tolist())
    parts = (*first, sentences[level], added, looked.said, late_draw(findings))
    said: object = Joined(parts)
    if stops:
        said = message("verdict.blocked", faults=Joined(tuple(f.said for f in stops), "; "))
    advised = None if answer in ("blocked", "depends") else recommend(trial, table, level, money)
    outlook = Outlook(answer, level, table, by, use, settle, needed, advised, ahead)
    return Verdict(
        answer=answer,
        level=level,
        said=said,
        sentences=sentences,
        table=table,
        totals=totals,
        use=use,
        money=money,
        settle=settle,
        needed=needed,
        steps=looked.before(next_steps(trial, outlook, stops)),
        findings=findings,
        depends_on=depends.on,
        depending=depends.levels,
        by=by,
        logarithm=logarithm.table,
        recommended=advised,
        measures=measures_by_level(trial, result.data, totals, known=known),
        readings=readings,
        invented=trial.invented,
    )


def _no_use() -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame(columns=USE_COLUMNS)


def _answers(
    trial: Trial, result: Analysis, depends: Dependence
) -> tuple[pd.DataFrame, pd.DataFrame, dict[str, object]]:
    """Judge each level, over everything or, where it depends on something, at each level of it."""
    response, question = response_of(result.terms.response, trial.harvest_columns), trial.question
    table = result.ratios.copy()
    table["answer"] = [ANSWERS.get(v, "not enough evidence") for v in table["verdict"]]
    equal = [_p_equal(result, row) for row in table.to_dict("records")]
    margin_pct, level = question.margin_pct, question.level
    joint = len(table) > 1
    said: dict[str, object] = {
        str(row["level"]): level_sentence(
            cast("dict[str, Any]", row), response, margin_pct=margin_pct, level=level, joint=joint
        )
        for row in table.assign(p_equal=equal).to_dict("records")
    }
    by = depends.by
    if len(by):
        for i, name in zip(table.index, table["level"].astype(str), strict=True):
            rows = by[by["level"] == name]
            answer = common_answer(rows["answer"].tolist())
            table.loc[i, "answer"] = answer
            said[name] = cells_sentence(
                rows, answer, response, margin_pct=margin_pct, level=level,
                shown=name in depends.levels,
            )  # fmt: skip
        by = by.assign(sentence=[str(said[str(name)]) for name in by["level"]])
    table["sentence"] = [str(said[str(name)]) for name in table["level"]]
    return table, by if len(by) else _empty_by(), said


def _choose(table: pd.DataFrame, use: pd.DataFrame, money: Money | None, *, better: str) -> int:
    """Pick the level the headline is about: the best answer, then money, then water, then yield.

    *Better* and *no worse* both hold: between these money decides, where it is known.
    """
    gain = {}
    if money is not None:
        gain = dict(zip(money.table["level"], money.table["gain"], strict=True))
    saved = {}
    if len(use):
        water = use[use["use"] == "water_l"]
        saved = dict(zip(water["level"], water["saving_pct"], strict=True))
    sign = 1.0 if better == "more" else -1.0
    ratios = table["ratio"].astype(float).fillna(-sign * math.inf)

    def worth(i: int) -> tuple[float, ...]:
        level = str(table.loc[i, "level"])
        by_money, by_water = (_known(d.get(level, 0.0)) for d in (gain, saved))
        answer = str(table.loc[i, "answer"])
        holds = bool(gain) and answer == "better"
        return (
            -_RANK["no worse" if holds else answer],
            by_money,
            by_water,
            sign * float(ratios.loc[i]),
        )

    return int(max(table.index, key=worth))


def _known(value: float) -> float:
    """Let a level whose gain or saving is not known rank below those that are known."""
    return -math.inf if math.isnan(value) else float(value)


def _p_equal(result: Analysis, row: Mapping[Hashable, Any]) -> float:
    """Give the chance of a difference this large between a level and its reference."""
    rows = result.differences[result.trial.question.primary]
    pair = {str(row["level"]), str(row["reference"])}
    for first, second, p in zip(rows["first"], rows["second"], rows["p"], strict=True):
        if {str(first), str(second)} == pair:
            return float(p)
    return math.nan
