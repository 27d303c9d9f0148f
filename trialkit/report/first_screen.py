"""The first screen: the question, its answer in words, one figure and what it saves."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from trialkit.report.inputs import Material
from trialkit.report.page_parts import Picture, Table, build_table
from trialkit.report.svg import inline_svg
from trialkit.style import WIDTH

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

MOST_OTHERS = 3  # further levels told on the first screen


@dataclass(frozen=True)
class Fact:
    """One number of the first screen."""

    name: str
    value: str
    limits: str


@dataclass(frozen=True)
class Answer:
    """What the first screen shows."""

    kind: str
    question: str
    headline: str
    sentence: str
    facts: tuple[Fact, ...]
    others: tuple[str, ...]
    minded: str
    picture: Picture
    next_steps: tuple[str, ...]
    table: Table


def answer_screen(material: Material) -> Answer:
    """Put the first screen together."""
    say, verdict = material.say, material.verdict
    reference = material.reference
    others = [x for x in material.levels if x != reference]
    key = "answer.question" if len(others) > 1 else "answer.question_one"
    question = say.text(
        key, level=say.listed(others, "or"), reference=reference, noun=material.noun
    )
    return Answer(
        kind=verdict.answer.replace(" ", "-"),
        question=question,
        headline=_headline(material),
        sentence=_sentence(material),
        facts=() if verdict.answer == "blocked" else tuple(_facts(material)),
        others=tuple(_others(material)),
        minded=_minded(material),
        picture=answer_picture(material),
        next_steps=tuple(verdict.next_steps),
        table=answer_table(material),
    )


def _headline(material: Material) -> str:
    """Give the answer in a few words, with what it depends on."""
    say, verdict = material.say, material.verdict
    key = f"answer.{verdict.answer}"
    if material.better == "less" and f"answer.less.{verdict.answer}" in say.entries:
        key = f"answer.less.{verdict.answer}"
    words = {
        "level": verdict.level, "reference": material.reference, "noun": material.noun,
        "margin": material.margin, "factor": verdict.depends_on,
    }  # fmt: skip
    headline = say.text(key, **words)
    if verdict.depends_on and verdict.answer not in ("depends", "blocked"):
        return say.text("answer.depends_too", headline=headline, factor=verdict.depends_on)
    return headline


def _sentence(material: Material) -> str:
    """Give the verdict's own sentence, or that of a translation if there is one."""
    say, verdict = material.say, material.verdict
    template = f"sentence.{verdict.answer}"
    if template not in say.entries:
        return verdict.sentence
    row = verdict.table[verdict.table["level"].astype(str) == verdict.level].iloc[0]
    change = {k: say.percent(100 * (row[k] - 1), 0, sign=True) for k in ("ratio", "low", "high")}
    return say.text(
        template,
        level=verdict.level,
        reference=material.reference,
        change=change["ratio"],
        low=change["low"],
        high=change["high"],
        margin=material.margin,
        confidence=material.level,
    )


def _others(material: Material) -> list[str]:
    """Give the sentence of every other level, so that none is hidden behind the chosen one."""
    table = material.verdict.table
    if material.verdict.answer == "blocked" or "sentence" not in table:
        return []
    chosen = table["level"].astype(str) == material.verdict.level
    sentences = [str(sentence) for sentence in table.loc[~chosen, "sentence"]]
    more = len(sentences) - MOST_OTHERS
    if more <= 0:
        return sentences
    count = material.say.number(more, 0)
    return [*sentences[:MOST_OTHERS], material.say.text("answer.more_levels", count=count)]


def _minded(material: Material) -> str:
    """Count what must be minded; empty where there is nothing."""
    count = sum(f.severity != "note" for f in material.findings)
    return material.say.choose("page.minded", count) if count else ""


def _facts(material: Material) -> list[Fact]:
    say, verdict = material.say, material.verdict
    noun = material.noun[:1].upper() + material.noun[1:]
    words = {"reference": material.reference, "noun": noun}
    facts = []
    rows = verdict.table[verdict.table["level"].astype(str) == verdict.level]
    # an average over what the answer depends on is no fact to act on
    if len(rows) and math.isfinite(rows["ratio"].iloc[0]) and not verdict.depends_on:
        one, low, high = (
            # no yield is below nothing, however far down a limit reaches
            say.percent(100 * (max(rows[k].iloc[0], 0.0) - 1), 0, sign=True)
            for k in ("ratio", "low", "high")
        )
        limits = say.text("fact.limits", low=low, high=high)
        facts.append(Fact(say.text("fact.yield", **words), one, limits))
    for row in verdict.use.to_dict("records"):
        if str(row["level"]) != verdict.level or not math.isfinite(row["saving_pct"]):
            continue
        # a saving is shown as the change in use, in the same direction as the yield beside it
        one, low, high = (
            say.percent(-row[k], 0, sign=True)
            for k in ("saving_pct", "saving_high_pct", "saving_low_pct")
        )
        limits = say.text("fact.limits", low=low, high=high)
        facts.append(Fact(say.text(f"fact.{row['use']}", **words), one, limits))
    facts += _money_fact(material)
    return facts


def _money_fact(material: Material) -> list[Fact]:
    say, money = material.say, material.verdict.money
    if money is None:
        return []
    rows = money.table[money.table["level"].astype(str) == material.verdict.level]
    if not len(rows) or not math.isfinite(rows["gain"].iloc[0]):
        return []
    low, high = (say.money(rows[k].iloc[0], "", 0) for k in ("gain_low", "gain_high"))
    gain = float(rows["gain"].iloc[0])
    value = ("+" if round(gain) > 0 else "") + say.number(gain, 0)
    name = say.text("fact.money", reference=material.reference)
    return [Fact(name, f"{money.currency} {value}", say.text("fact.limits", low=low, high=high))]


def answer_picture(material: Material) -> Picture:
    """Draw the means above and the difference from the reference beside the margin below."""
    say = material.say
    words = {
        "factor": material.factor.name, "reference": material.reference,
        "quantity": material.noun[:1].upper() + material.noun[1:],
        "other": material.verdict.depends_on,
    }  # fmt: skip
    drawable = material.result.ratios["ratio"].notna().any()
    key = "answer.figure_title_by" if material.verdict.depends_on else "answer.figure_title"
    figure = draw_answer(material, with_ratios=bool(drawable))
    svg = inline_svg(figure, ident="answer", alt=_alt(material))
    return Picture(svg, say.text(key if drawable else "answer.figure_alone", **words))


def draw_answer(material: Material, *, with_ratios: bool = True) -> Figure:
    """Draw the figure of the first screen; where the answer depends on something, its cells."""
    from matplotlib.figure import Figure

    from trialkit.figures import ratio_to_reference, yield_by_level
    from trialkit.figures.rows import MARGINS_IN, ROW_IN
    from trialkit.style import drawing

    question, better = material.trial.question, material.better
    means, points, ratios = _drawn(material)
    rows = [len(means), len(ratios)] if with_ratios else [len(means)]
    heights = [ROW_IN * n + 0.1 for n in rows]
    tall = sum(heights) + MARGINS_IN * len(rows)
    with drawing():
        figure = Figure(figsize=(0.78 * WIDTH, tall))
        axes = figure.subplots(
            len(rows), 1, squeeze=False,
            gridspec_kw={"height_ratios": heights, "hspace": 2 * MARGINS_IN / sum(heights) * 1.1},
        )[:, 0]  # fmt: skip
    yield_by_level(
        means, points, reference=material.reference, margin_pct=question.margin_pct,
        response=material.response, quantity=material.quantity, units=material.units,
        level=question.level, better=better, wording=material.say, ax=axes[0],
    )  # fmt: skip
    if with_ratios:
        ratio_to_reference(
            ratios, margin_pct=question.margin_pct, level=question.level, better=better,
            response=material.response, basis=material.basis, wording=material.say, ax=axes[1],
        )  # fmt: skip
    return figure


def _drawn(material: Material) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Give means, unit points and ratios to draw, by cell where the answer depends on something.

    Means by batch are not drawn: the model takes batches as a sample, and the ratios show them.
    """
    from trialkit.figures import unit_means

    result, verdict = material.result, material.verdict
    on = verdict.depends_on if verdict.depends_on != "batch" else ""
    points = unit_means(
        material.used,
        factor=material.factor.name,
        units=material.factor.applied_to,
        response=material.response,
        by=[on] if on else [],
    )
    points = points.assign(value=points["value"] * material.summed)
    ratios = verdict.by if verdict.depends_on else result.ratios
    if not on:
        return _in_order(result.per_block(result.table), material.levels), points, ratios
    cells = result.cell_means(on).rename(columns={on: "at"})
    cells = _cells_in_order(cells, material.levels)
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


def _alt(material: Material) -> str:
    say = material.say
    means, points, ratios = _drawn(material)
    rows = say.listed(
        [
            say.text(
                "alt.row",
                level=_named(row),
                estimate=say.number(row["estimate"]),
                unit=material.unit,
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
        "alt.answer", factor=material.factor.name, rows=rows, reference=material.reference,
        changes=changes, margin=material.margin, noun=material.noun,
    )  # fmt: skip


def _named(row: dict[Any, Any]) -> str:
    return f"{row['level']}, {row['at']}" if "at" in row else str(row["level"])


def _unit_count(points: pd.DataFrame, row: dict[Any, Any]) -> int:
    own = points["level"].astype(str) == str(row["level"])
    if "at" in row and "at" in points:
        own &= points["at"].astype(str) == str(row["at"])
    return int(own.sum())


def answer_table(material: Material) -> Table:
    """Give every level against the reference, with its answer."""
    return _ratio_table(material, material.verdict.table, "answer.table")


def further_tables(material: Material) -> list[Table]:
    """Give the levels at each level of what the answer depends on, and on the logarithm."""
    verdict, out = material.verdict, []
    if verdict.depends_on:
        out.append(_ratio_table(material, verdict.by, "answer.by_table"))
    if verdict.logarithm is not None:
        out.append(_ratio_table(material, verdict.logarithm, "answer.logarithm_table"))
    return out


def _ratio_table(material: Material, table: pd.DataFrame, caption: str) -> Table:
    say, other = material.say, material.verdict.depends_on
    frame = table.assign(
        **{k: 100 * (table[k] - 1) for k in ("ratio", "low", "high")},
        answer=[say.either(f"row_answer.{a}", str(a)) for a in table["answer"]],
    )
    formats = dict.fromkeys(("ratio", "low", "high"), lambda v: say.percent(v, 1, sign=True))
    columns = ["level", "reference", "ratio", "low", "high", "answer"]
    return build_table(
        frame,
        columns=["at", *columns] if "at" in frame else columns,
        say=say,
        caption=say.text(
            caption,
            factor=material.factor.name,
            reference=material.reference,
            level=material.level,
            other=other,
        ),
        heads={
            "ratio": say.text("column.change"), "level": material.factor.name, "at": other,
        },
        formats=formats,
        row_heads=2 if "at" in frame else 1,
    )  # fmt: skip
