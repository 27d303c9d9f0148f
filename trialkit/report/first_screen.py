"""The first screen: the question, its answer in words, one figure and what it saves."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from trialkit.decision.answer_lines import answer_lines
from trialkit.decision.headline import headline
from trialkit.display import decimals_beside
from trialkit.report.deviations import readings_table
from trialkit.report.inputs import PageInputs
from trialkit.report.page_parts import Picture, Table, build_table
from trialkit.report.pictures import make_picture
from trialkit.style import WIDTH
from trialkit.triage import for_growers

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


@dataclass(frozen=True)
class Fact:
    """One number of the first screen."""

    name: str
    value: str
    limits: str


@dataclass(frozen=True)
class Other:
    """The question and the answer for one further level."""

    question: str
    sentence: str


@dataclass(frozen=True)
class Answer:
    """What the first screen shows."""

    kind: str
    question: str
    headline: str
    sentence: str
    facts: tuple[Fact, ...]
    others: tuple[Other, ...]
    minded: str
    picture: Picture
    next_steps: tuple[str, ...]
    table: Table


def answer_screen(inputs: PageInputs) -> Answer:
    """Put the first screen together."""
    say, verdict = inputs.say, inputs.verdict
    others = _others(inputs)
    return Answer(
        kind=verdict.answer.replace(" ", "-"),
        question=_question(inputs, verdict.level),
        headline=headline(inputs.result, verdict, say),
        sentence=say.written(verdict.said),
        facts=() if verdict.answer == "blocked" else tuple(_facts(inputs)),
        others=tuple(others),
        minded=_minded(inputs),
        picture=answer_picture(inputs),
        next_steps=tuple(say.written(step) for step in verdict.steps),
        table=answer_table(inputs),
    )


def _question(inputs: PageInputs, level: str) -> str:
    """Ask the question about one level."""
    words = {"level": level, "reference": inputs.reference, "noun": inputs.noun}
    key = "answer.question_less" if inputs.better == "less" else "answer.question"
    return inputs.say.text(key, **words)


def _others(inputs: PageInputs) -> list[Other]:
    """Give question and answer of every other level: none is hidden behind the chosen one."""
    verdict = inputs.verdict
    return [
        Other(_question(inputs, level), sentence)
        for level, sentence in answer_lines(inputs.trial, verdict)
        if level not in ("", verdict.level)
    ]


def _minded(inputs: PageInputs) -> str:
    """Count what must be minded; empty where there is nothing."""
    count = sum(f.severity != "note" for f in for_growers(inputs.findings))
    return inputs.say.choose("page.minded", count) if count else ""


def _facts(inputs: PageInputs) -> list[Fact]:
    say, verdict = inputs.say, inputs.verdict
    noun = inputs.noun[:1].upper() + inputs.noun[1:]
    words = {"reference": inputs.reference, "noun": noun, "level": verdict.level}
    facts = []
    rows = verdict.table[verdict.table["level"].astype(str) == verdict.level]
    # an average over what the answer depends on is no fact to act on
    if len(rows) and math.isfinite(rows["ratio"].iloc[0]) and not verdict.depends_on:
        # no yield is below nothing, however far down a limit reaches
        ratios = (max(float(rows[k].iloc[0]), 0.0) for k in ("ratio", "low", "high"))
        edges = _edges(inputs)
        one, low, high = (
            say.percent(100 * (r - 1), decimals_beside(r, edges), sign=True) for r in ratios
        )
        limits = say.text("fact.limits", low=low, high=high)
        facts.append(Fact(say.text("fact.yield", **words), one, limits))
    facts += _saving_facts(inputs)
    facts += _money_fact(inputs)
    return facts


def _saving_facts(inputs: PageInputs) -> list[Fact]:
    """Give what the level saves, a saving positive; water and electricity in one where alike."""
    say, verdict = inputs.say, inputs.verdict
    words = {"reference": inputs.reference, "level": verdict.level}
    told: dict[tuple[str, str], str] = {}
    for row in verdict.use.to_dict("records"):
        if str(row["level"]) != verdict.level or not math.isfinite(row["saving_pct"]):
            continue
        one, low, high = (
            say.percent(row[k], 0) for k in ("saving_pct", "saving_low_pct", "saving_high_pct")
        )
        key = (one, say.text("fact.limits", low=low, high=high))
        told[key] = "both" if key in told else str(row["use"])
    return [
        Fact(say.text(f"fact.{use}", **words), one, limits) for (one, limits), use in told.items()
    ]


def _money_fact(inputs: PageInputs) -> list[Fact]:
    say, money = inputs.say, inputs.verdict.money
    if money is None:
        return []
    rows = money.table[money.table["level"].astype(str) == inputs.verdict.level]
    if not len(rows) or not math.isfinite(rows["gain"].iloc[0]):
        return []
    low, high = (say.money(rows[k].iloc[0], "", 0) for k in ("gain_low", "gain_high"))
    gain = float(rows["gain"].iloc[0])
    value = ("+" if round(gain) > 0 else "") + say.number(gain, 0)
    words = {"reference": inputs.reference, "level": inputs.verdict.level}
    name = say.text("fact.money", **words)
    return [Fact(name, f"{money.currency} {value}", say.text("fact.limits", low=low, high=high))]


def answer_picture(inputs: PageInputs) -> Picture:
    """Draw the difference from the reference beside the margin, and the means below it."""
    say = inputs.say
    words = {
        "factor": inputs.factor.name,
        "reference": inputs.reference,
        "quantity": inputs.noun[:1].upper() + inputs.noun[1:],
        "other": inputs.depends_on,
    }
    drawable = bool(inputs.result.ratios["ratio"].notna().any())
    key = "answer.figure_title_by" if inputs.verdict.depends_on else "answer.figure_title"
    return make_picture(
        lambda: draw_answer(inputs, with_ratios=drawable),
        ident="answer",
        alt=_alt(inputs),
        caption=say.text(key if drawable else "answer.figure_alone", **words),
    )


def draw_answer(inputs: PageInputs, *, with_ratios: bool = True) -> Figure:
    """Draw the figure of the first screen; where the answer depends on something, its cells."""
    from matplotlib.figure import Figure

    from trialkit.figures.rows import MARGINS_IN, ROW_IN
    from trialkit.style import NARROW, drawing, is_narrow

    means, points, ratios = _drawn(inputs)
    rows = [len(ratios), len(means)] if with_ratios else [len(means)]
    heights = [ROW_IN * n + 0.1 for n in rows]
    tall = sum(heights) + MARGINS_IN * len(rows) * 1.02
    with drawing():
        figure = Figure(figsize=(NARROW if is_narrow() else 0.78 * WIDTH, tall))
        axes = figure.subplots(
            len(rows),
            1,
            squeeze=False,
            gridspec_kw={"height_ratios": heights, "hspace": 2 * MARGINS_IN / sum(heights) * 1.1},
        )[:, 0]
    if with_ratios:
        _draw_ratios(inputs, ratios, axes[0])
    _draw_means(inputs, means, points, axes[-1])
    return figure


def _draw_ratios(inputs: PageInputs, ratios: pd.DataFrame, ax: Axes) -> None:
    """Draw the differences, with the answer at the end of each row."""
    from trialkit.figures import ratio_to_reference

    question, say = inputs.trial.question, inputs.say
    if "answer" in ratios and inputs.verdict.answer != "blocked":
        said = [say.either(f"row_answer.{a}", str(a)) for a in ratios["answer"]]
        ratios = ratios.assign(said=said)
    ratio_to_reference(
        ratios,
        margin_pct=question.margin_pct,
        level=question.level,
        better=inputs.better,
        response=inputs.response,
        basis=inputs.basis,
        wording=say,
        ax=ax,
    )


def _draw_means(inputs: PageInputs, means: pd.DataFrame, points: pd.DataFrame, ax: Axes) -> None:
    """Draw the means; the accepted loss belongs to differences, so it is not drawn here."""
    from trialkit.figures import yield_by_level
    from trialkit.figures.unit_totals import lacking_words

    yield_by_level(
        means,
        points,
        response=inputs.response,
        quantity=inputs.quantity,
        units=inputs.units,
        lacking=lacking_words(points, list(inputs.factor.applied_to), inputs.say),
        level=inputs.trial.question.level,
        better=inputs.better,
        wording=inputs.say,
        ax=ax,
    )


def _drawn(inputs: PageInputs) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Give means, unit points and ratios to draw, by cell where the answer depends on something.

    Means by batch are not drawn: the model takes batches as a sample, and the ratios show them.
    """
    from trialkit.figures.unit_totals import unit_totals

    result, verdict = inputs.result, inputs.verdict
    on = verdict.depends_on if verdict.depends_on != "batch" else ""
    name = inputs.factor.name
    points = unit_totals(
        inputs.used,
        [*inputs.factor.applied_to, name, *([on] if on else [])],
        inputs.response,
        flushes=result.flushes,
        summed=inputs.summed > 1,
    )
    points = points.rename(columns={name: "level"}).astype({"level": str})
    whole = verdict.table if len(verdict.table) else result.ratios
    ratios = verdict.by if verdict.depends_on else whole
    if not on:
        return _in_order(result.per_block(result.table), inputs.levels), points, ratios
    cells = result.cell_means(on).rename(columns={on: "at"})
    cells = _cells_in_order(cells, inputs.levels)
    return result.per_block(cells), points.rename(columns={on: "at"}), ratios


def _cells_in_order(cells: pd.DataFrame, levels: list[str]) -> pd.DataFrame:
    """Put the cells of one level of the other treatment together."""
    at = {name: i for i, name in enumerate(dict.fromkeys(cells["at"].astype(str)))}
    place = {name: i for i, name in enumerate(levels)}
    keys = cells.assign(
        _at=cells["at"].astype(str).map(at), _level=cells["level"].astype(str).map(place)
    )
    return keys.sort_values(["_at", "_level"]).drop(columns=["_at", "_level"])


def _in_order(table: pd.DataFrame, levels: list[str]) -> pd.DataFrame:
    place = {name: i for i, name in enumerate(levels)}
    order = table["level"].astype(str).map(place)
    return table.assign(_place=order).sort_values("_place").drop(columns="_place")


def _alt(inputs: PageInputs) -> str:
    say = inputs.say
    means, points, ratios = _drawn(inputs)
    rows = say.listed(
        [
            say.text(
                "alt.row",
                level=_named(row),
                estimate=say.number(row["estimate"]),
                unit=inputs.unit,
                low=say.number(row["low"]),
                high=say.number(row["high"]),
                n=_unit_count(points, row),
            )
            for row in means.to_dict("records")
        ]
    )
    changes = say.listed(
        [
            say.text("alt.change", level=_named(row), estimate=one, low=low, high=high)
            for row in ratios.to_dict("records")
            for one, low, high in [
                [say.percent(100 * (row[k] - 1), 1, sign=True) for k in ("ratio", "low", "high")]
            ]
        ]
    )
    return say.text(
        "alt.answer",
        factor=inputs.factor.name,
        rows=rows,
        reference=inputs.reference,
        changes=changes,
        margin=inputs.margin,
        noun=inputs.noun,
    )


def _named(row: dict[Any, Any]) -> str:
    return f"{row['level']}, {row['at']}" if "at" in row else str(row["level"])


def _unit_count(points: pd.DataFrame, row: dict[Any, Any]) -> int:
    own = points["level"].astype(str) == str(row["level"])
    if "at" in row and "at" in points:
        own &= points["at"].astype(str) == str(row["at"])
    return int(own.sum())


def answer_table(inputs: PageInputs) -> Table:
    """Give every level against the reference, with its answer."""
    return _ratio_table(inputs, inputs.verdict.table, "answer.table")


def further_tables(inputs: PageInputs) -> list[Table]:
    """Give the levels at each level of what the answer depends on, and on the logarithm."""
    verdict, out = inputs.verdict, []
    if len(verdict.readings):
        out.append(readings_table(inputs))
    if verdict.depends_on:
        out.append(_ratio_table(inputs, verdict.by, "answer.by_table"))
    if verdict.logarithm is not None:
        out.append(_ratio_table(inputs, verdict.logarithm, "answer.logarithm_table"))
    return out


def _edges(inputs: PageInputs) -> tuple[float, float]:
    """Give the ratios at which an answer changes: no difference, and the accepted loss."""
    margin = inputs.trial.question.margin_pct
    return 1.0, 1 + (margin if inputs.better == "less" else -margin) / 100


def _ratio_table(inputs: PageInputs, table: pd.DataFrame, caption: str) -> Table:
    say, other = inputs.say, inputs.depends_on
    frame = table.assign(
        **{k: 100 * (table[k] - 1) for k in ("ratio", "low", "high")},
        answer=[say.either(f"row_answer.{a}", str(a)) for a in table["answer"]],
    )
    edges = _edges(inputs)

    def percent(value: float) -> str:
        """Show a limit so that it is seen on which side of an edge it lies."""
        decimals = decimals_beside(1 + value / 100, edges, fewest=1)
        return say.percent(value, decimals, sign=True)

    formats = dict.fromkeys(("ratio", "low", "high"), percent)
    columns = ["level", "reference", "ratio", "low", "high", "answer"]
    return build_table(
        frame,
        columns=["at", *columns] if "at" in frame else columns,
        say=say,
        caption=say.text(
            caption,
            factor=inputs.factor.name,
            reference=inputs.reference,
            level=inputs.level,
            other=other,
        ),
        heads={
            "ratio": say.text("column.change"),
            "level": inputs.factor.name,
            "at": other,
        },
        formats=formats,
        row_heads=2 if "at" in frame else 1,
    )
