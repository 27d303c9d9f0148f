"""Many answers to one question taken together: the mean, the next room, and each one's part."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import special

from trialkit.arrays import Floats
from trialkit.columns.response import response_of
from trialkit.decision.next_trial_limits import next_trial_limits
from trialkit.decision.pooling import FEW_TRIALS, Combined, combine_estimates
from trialkit.errors import Finding, ModelError
from trialkit.federation.answer import COUNTS, RIG, TrialAnswer
from trialkit.federation.influence import leave_one_out
from trialkit.wording import Chance, Message, Named, Number, finding, message

if TYPE_CHECKING:
    import pandas as pd

#: p from which a trial is told not to look like the others.
ODD = 0.05
#: Fewer trials hardly show a made-up one (benchmarks/federation.py).
FEW_TO_COMPARE = 5
#: Trials named in one sentence.
_NAMED = 5
#: Share of the whole weight from which one trial is told to weigh most [%].
_HEAVY_PCT = 50.0


@dataclass(frozen=True, eq=False)
class PooledAnswers:
    """Answers of several trials taken together. Made by `pool_answers`.

    Parameters
    ----------
    answers : tuple of TrialAnswer
    table : DataFrame
        The register, one row per trial: `trial, source, species, begun, response, level,
        control, ratio, low, high, answer`, `estimate, se, df` of the log ratio, `weight_pct`,
        `without, without_low, without_high, without_answer` (pooled without it), `moves_se`,
        `odd_t, odd_p` (how unlike the others), counts, rig, `fingerprint, invented, made_by`.
    combined : Combined
        Of the log ratios.
    ahead : (float, float)
        Limits of the log ratio in the next room or season.
    between_sd : float
        Standard deviation of the true log ratio between trials.
    margin_pct : float
    answer : str
        ``"better"``, ``"no worse"``, ``"worse"`` or ``"not enough evidence"``: of the mean.
    next_answer : str
        The same of the next room or season, by the prediction limits.
    level : float
        Confidence of limits.
    said : tuple of Message
        The answer, then what it says of the next room.
    findings : tuple of Finding
    """

    answers: tuple[TrialAnswer, ...]
    table: pd.DataFrame
    combined: Combined
    ahead: tuple[float, float]
    between_sd: float
    margin_pct: float
    answer: str
    next_answer: str
    level: float
    said: tuple[Message, ...]
    findings: tuple[Finding, ...] = ()

    @property
    def first(self) -> TrialAnswer:
        """One of the answers, for what all have in common."""
        return self.answers[0]

    @property
    def ratios(self) -> dict[str, float]:
        """Pooled ratio: `ratio, low, high, next_low, next_high`."""
        c = self.combined
        ends = {"ratio": c.estimate, "low": c.low, "high": c.high}
        ends |= {"next_low": self.ahead[0], "next_high": self.ahead[1]}
        return {name: _exp(value) for name, value in ends.items()}

    @property
    def sentence(self) -> str:
        """The answer in the language in use."""
        return str(self.said[0])


def pool_answers(
    answers: Sequence[TrialAnswer], *, margin_pct: float = 10.0, level: float = 0.95
) -> PooledAnswers:
    """Take answers to the same question together, with a random trial effect.

    Parameters
    ----------
    answers : sequence of TrialAnswer
        At least two.
    margin_pct : float
        Loss against the control that is accepted [%].
    level : float

    Returns
    -------
    PooledAnswers

    Raises
    ------
    ModelError
        With fewer than two, where two rest on the same harvest, or where they do not ask the
        same.

    Notes
    -----
    Log ratios are combined by `trialkit.decision.pooling.combine_estimates`, and
    `trialkit.decision.next_trial_limits` has the limits for the next one. The limits of one
    trial are its estimate and Student's t times its standard error, one at a time.

    Examples
    --------
    >>> import dataclasses
    >>> one = TrialAnswer("A", "", "", "fresh_g", "g", "more", "sparse", "usual", -0.01, 0.03,
    ...     9.0, "t", dict.fromkeys(COUNTS, 8), "0" * 64)
    >>> more = [dataclasses.replace(one, title=f"T{i}", estimate=i / 100, fingerprint=str(i) * 64)
    ...         for i in range(1, 5)]
    >>> pool_answers([one, *more]).answer
    'no worse'
    """
    import pandas as pd

    _check_alike(answers)
    first = answers[0]
    y, se, df = (np.array([getattr(a, n) for a in answers]) for n in ("estimate", "se", "df"))
    combined = combine_estimates(y, se**2, level=level)
    half = special.stdtrit(df, (1 + level) / 2) * se
    left = leave_one_out(y, se**2, level=level)
    edges = _Edges(first.better, margin_pct)
    table = pd.DataFrame(
        {
            "trial": _titles(answers),
            "source": [a.source for a in answers],
            "species": [a.species for a in answers],
            "begun": [a.begun for a in answers],
            "response": [a.response for a in answers],
            "level": [a.level for a in answers],
            "control": [a.control for a in answers],
            "level_setting": [_written(a.level_setting) for a in answers],
            "control_setting": [_written(a.control_setting) for a in answers],
            "ratio": np.exp(y),
            "low": np.exp(y - half),
            "high": np.exp(np.minimum(y + half, 700)),
            "answer": edges.judge(y - half, y + half),
            "estimate": y,
            "se": se,
            "df": df,
            "depends_on": [a.depends_on for a in answers],
            "weight_pct": 100 * combined.weights,
            "without": np.exp(left.estimate),
            "without_low": np.exp(left.low),
            "without_high": np.exp(np.minimum(left.high, 700)),
            "without_answer": edges.judge(left.low, left.high),
            "moves_se": left.moves,
            "odd_t": left.t,
            "odd_p": left.p,
            **{name: [a.counts.get(name) for a in answers] for name in COUNTS},
            **{name: [a.rig.get(name, math.nan) for a in answers] for name in RIG},
            "fingerprint": [a.fingerprint for a in answers],
            "invented": [a.invented for a in answers],
            "made_by": [a.made_by for a in answers],
        }
    )
    low, high = next_trial_limits(y, se**2, level=level)
    ahead = min(low, combined.low), max(high, combined.high)
    answer, next_answer = edges.judge(
        np.array([combined.low, ahead[0]]), np.array([combined.high, ahead[1]])
    )
    pooled = PooledAnswers(
        tuple(answers),
        table,
        combined,
        ahead,
        math.sqrt(combined.between),
        margin_pct,
        answer,
        next_answer,
        level,
        (),
    )
    return replace(pooled, said=_say(pooled), findings=tuple(_doubts(pooled)))


def separate_twins(
    answers: Sequence[TrialAnswer],
) -> tuple[list[TrialAnswer], list[tuple[TrialAnswer, str]]]:
    """Take out answers that rest on a harvest that is in already.

    Parameters
    ----------
    answers : sequence of TrialAnswer

    Returns
    -------
    kept : list of TrialAnswer
    aside : list of (TrialAnswer, str)
        Each with the source of its twin. Where two of one harvest say different things, nobody
        can know which one was changed: both are taken out.
    """
    kept: list[TrialAnswer] = []
    aside: list[tuple[TrialAnswer, str]] = []
    by_print: dict[str, list[TrialAnswer]] = {}
    for answer in answers:
        by_print.setdefault(answer.fingerprint, []).append(answer)
    numbers: dict[tuple[float, float], TrialAnswer] = {}
    for group in by_print.values():
        one, *others = group
        apart = [a for a in others if (a.estimate, a.se) != (one.estimate, one.se)]
        if apart:
            twins = [*others, one]
            aside += [(a, twins[i - 1].source) for i, a in enumerate(group)]
            continue
        aside += [(a, one.source) for a in others]
        there = numbers.setdefault((one.estimate, one.se), one)
        if there is not one:
            aside.append((one, there.source))
        else:
            kept.append(one)
    return kept, aside


def _check_alike(answers: Sequence[TrialAnswer]) -> None:
    """Refuse one harvest twice, and answers to different questions."""
    if len(answers) < 2:
        raise ModelError("pooling needs at least two trials")
    _, aside = separate_twins(answers)
    if aside:
        one, other = aside[0]
        raise ModelError(
            f"{one.source or one.title!r} rests on the same harvest as {other or 'another'} "
            f"(fingerprint {one.fingerprint[:12]}): a trial counts once; leave one of them out"
        )
    for what, name in (
        ("response", "response"),
        ("unit", "unit"),
        ("level", "level"),
        ("control", "control"),
        ("direction", "better"),
    ):
        values = dict.fromkeys(str(getattr(a, name)) for a in answers)
        if len(values) > 1:
            raise ModelError(
                f"the trials differ in their {what} ({', '.join(list(values)[:_NAMED])}): pool "
                "trials that compare the same two settings by the same measure"
            )


@dataclass(frozen=True)
class _Edges:
    """Where an answer ends, on the logarithm."""

    better: str
    margin_pct: float

    def judge(self, low: Floats, high: Floats) -> list[str]:
        """Judge limits of log ratios, with the loss on the side where it is."""
        if self.better == "more":
            worst, best, edge = low, high, math.log(1 - self.margin_pct / 100)
        else:
            worst, best, edge = -high, -low, -math.log(1 + self.margin_pct / 100)
        names = np.full(len(low), "not enough evidence", dtype=object)
        with np.errstate(invalid="ignore"):
            names[best < edge] = "worse"
            names[worst > edge] = "no worse"
            names[worst > 0] = "better"
        names[~np.isfinite(low)] = ""
        return [str(name) for name in names]


def _exp(value: float) -> float:
    return math.exp(value) if value < 700 else math.inf


def _written(setting: dict[str, float]) -> str:
    """Write a setting's numbers in one cell."""
    return ", ".join(f"{name} = {value:g}" for name, value in setting.items())


def noun_of(answer: TrialAnswer) -> Named:
    """Name what was measured; a column that only one grower knows keeps its name."""
    return response_of(answer.response).noun


def _say(pooled: PooledAnswers) -> tuple[Message, ...]:
    """Say what holds on average, and what the next room may show."""
    first, ratios = pooled.first, pooled.ratios
    words = {
        "level": first.level,
        "control": first.control,
        "noun": noun_of(first),
        "trials": len(pooled.answers),
        "margin": pooled.margin_pct,
        **{name: 100 * (ratio - 1) for name, ratio in ratios.items()},
    }
    key = pooled.answer.replace(" ", "_")
    holds = "holds" if pooled.next_answer in ("better", "no worse") else "open"
    ahead = "lost" if pooled.next_answer == "worse" else holds
    return message(f"pool.answer.{key}", **words), message(f"pool.next.{ahead}", **words)


def _doubts(pooled: PooledAnswers) -> list[Finding]:
    """Find what a reader of the pooled answer must know."""
    table, k = pooled.table, len(pooled.answers)
    found = []
    for row in table[table["odd_p"] <= ODD].nsmallest(_NAMED, "odd_p").to_dict("records"):
        ratios = {name: Number(row[name], 2) for name in ("ratio", "without")}
        words: dict[str, Any] = {"trial": _name(row), "p": Chance(row["odd_p"]), **ratios}
        found.append(finding("answer_odd", "caution", **words))
    turns = table[(table["without_answer"] != "") & (table["without_answer"] != pooled.answer)]
    if len(turns):
        names = [_name(row) for row in turns.head(_NAMED).to_dict("records")]
        found.append(finding("answer_rests_on_one", "caution", trials=names, count=len(turns)))
    depend = table[table["depends_on"] != ""]
    if len(depend):
        names = [f"{_name(r)}: {r['depends_on']}" for r in depend.head(_NAMED).to_dict("records")]
        found.append(finding("answer_depends", "caution", trials=names, count=len(depend), whole=k))
    heavy = table[table["weight_pct"] >= _HEAVY_PCT] if k > 2 else table[:0]
    for row in heavy.to_dict("records"):
        share = Number(row["weight_pct"], 0)
        found.append(finding("answer_heavy", "caution", trial=_name(row), share=share))
    for name in ("level", "control"):
        kinds = [v for v in dict.fromkeys(table[f"{name}_setting"]) if v]
        if len(kinds) > 1:
            level = getattr(pooled.first, name)
            found.append(
                finding("answer_settings_differ", "caution", level=level, kinds=kinds[:_NAMED])
            )
    if table["invented"].any():
        found.append(finding("answer_invented", "caution", count=int(table["invented"].sum())))
    if k < FEW_TO_COMPARE:
        found.append(finding("answer_not_compared", "note", trials=k))
    if k < FEW_TRIALS:
        found.append(finding("few_trials", "note", trials=k))
    return found


def _titles(answers: Sequence[TrialAnswer]) -> list[str]:
    """Give the titles, those of several trials with where each came from before them."""
    times = Counter(a.title for a in answers)
    return [
        f"{a.source}: {a.title}" if times[a.title] > 1 and a.source else a.title for a in answers
    ]


def _name(row: Mapping[Hashable, Any]) -> str:
    """Name a trial with where it came from."""
    source, title = str(row["source"]), str(row["trial"])
    said = not source or source == title or title.startswith(f"{source}: ")
    return title if said else f"{title} ({source})"
