"""The page of several trials: each one's answer, what they say together, and what that rests on."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trialkit.columns import head
from trialkit.display import decimals_beside
from trialkit.federation.pool import noun_of
from trialkit.federation.views import views_of
from trialkit.report.first_screen import Answer, Fact, Other
from trialkit.report.page import render_page, write_page
from trialkit.report.page_parts import (
    Masthead,
    Picture,
    Section,
    Table,
    Words,
    build_table,
    show_findings,
)
from trialkit.report.pictures import make_picture
from trialkit.wording import speaking

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from trialkit.federation.gather import Gathered
    from trialkit.federation.pool import PooledAnswers
    from trialkit.wording import Message, Wording

#: Trials drawn, and trials listed; the register holds all.
DRAWN, LISTED = 24, 100
_MARKS = {"better": "better", "no worse": "no-worse", "worse": "worse"}


@dataclass(frozen=True)
class PoolInputs:
    """What the page of several trials is made from."""

    pooled: PooledAnswers
    aside: Sequence[tuple[str, Message]]
    say: Wording


def write_pool_page(
    pooled: PooledAnswers,
    path: str | Path,
    *,
    gathered: Gathered | None = None,
    locale: str | None = None,
    language: str | None = None,
) -> Path:
    """Write one HTML page about several trials of one question.

    The page loads nothing and runs nothing. The same answers give the same bytes.

    Parameters
    ----------
    pooled : PooledAnswers
    path : str or Path
    gathered : Gathered, optional
        With what was set aside, which the page then tells.
    locale, language : str, optional
        As in `trialkit.write_report`.

    Returns
    -------
    Path

    Raises
    ------
    ReportError
        If the locale is not known or the file cannot be written.
    """
    with speaking(locale, language) as say:
        inputs = PoolInputs(pooled, () if gathered is None else gathered.aside, say)
        first = pooled.first
        title = say.text("pool.page.title", level=first.level, control=first.control)
        species = {a.species for a in pooled.answers} - {""}
        masthead = Masthead(
            title,
            next(iter(species)) if len(species) == 1 else "",
            all(a.invented for a in pooled.answers),
        )
        marks = "\n".join(sorted(a.fingerprint for a in pooled.answers))
        page = render_page(
            masthead,
            say,
            _answer(inputs),
            [_trials(inputs), _influence(inputs), _views(inputs), _limits(inputs)],
            sources={"answers": {"all": hashlib.sha256(marks.encode()).hexdigest()}},
            dates=_dates(pooled, say),
            kind=say.text("pool.page.kind"),
        )
        return write_page(Path(path), page)


def _dates(pooled: PooledAnswers, say: Wording) -> str:
    """Say from which month to which the trials began."""
    known = sorted(a.begun for a in pooled.answers if a.begun)
    return " – ".join(dict.fromkeys([known[0], known[-1]])) if known else ""


def _answer(inputs: PoolInputs) -> Answer:
    say, pooled = inputs.say, inputs.pooled
    first = pooled.first
    words = {"level": first.level, "control": first.control, "noun": noun_of(first)}
    return Answer(
        kind=_MARKS.get(pooled.answer, "not-enough-evidence"),
        question=say.text("pool.page.question", trials=len(pooled.answers), **words),
        headline=say.text(f"pool.headline.{pooled.answer.replace(' ', '_')}", **words),
        sentence=say.written(pooled.said[0]),
        facts=tuple(_facts(inputs)),
        others=(Other(say.text("pool.page.ahead"), say.written(pooled.said[1])),),
        minded="",
        picture=_picture(inputs),
        next_steps=(),
        table=_trial_table(inputs),
    )


def _facts(inputs: PoolInputs) -> list[Fact]:
    say, pooled, ratios = inputs.say, inputs.pooled, inputs.pooled.ratios
    side = -1 if pooled.first.better == "more" else 1
    edges = (1.0, 1 + side * pooled.margin_pct / 100)

    def limits(low: str, high: str) -> str:
        ends = {
            name: say.number(100 * (ratios[key] - 1), decimals_beside(ratios[key], edges, fewest=1))
            for name, key in (("low", low), ("high", high))
        }
        return say.text("pool.page.limits", level=say.confidence(pooled.level), **ends)

    mean = say.percent(100 * (ratios["ratio"] - 1), 1, sign=True)
    return [
        Fact(say.text("figure.together.mean"), mean, limits("low", "high")),
        Fact(say.text("figure.together.next"), mean, limits("next_low", "next_high")),
    ]


def rows_to_draw(table: pd.DataFrame, most: int = DRAWN) -> pd.DataFrame:
    """Choose the trials that are drawn: all, or the oddest few and those of most weight."""
    if len(table) <= most:
        return table
    odd = table["odd_t"].abs().nlargest(most // 4).index
    heavy = table.drop(index=odd).nlargest(most - len(odd), "weight_pct").index
    return table.loc[sorted([*odd, *heavy])]


def _picture(inputs: PoolInputs) -> Picture:
    from trialkit.figures.answers import answers_together

    say, pooled = inputs.say, inputs.pooled
    shown = rows_to_draw(pooled.table)
    count = {"n": say.number(len(pooled.table), 0), "shown": say.number(len(shown), 0)}
    some = "all" if len(shown) == len(pooled.table) else "some"
    draw = partial(
        answers_together,
        shown,
        pooled=pooled.ratios,
        control=pooled.first.control,
        margin_pct=pooled.margin_pct,
        better=pooled.first.better,
        response=pooled.first.response,
        basis=say.text(f"pool.page.basis.{some}", **count),
        level=pooled.level,
        wording=say,
    )
    alt = " ".join(say.written(line) for line in pooled.said)
    return make_picture(draw, ident="together", alt=alt, caption=say.text("pool.page.picture"))


def _trial_table(inputs: PoolInputs) -> Table:
    """List the trials, each with its answer."""
    say, table = inputs.say, inputs.pooled.table
    shown = table.head(LISTED)
    shown = shown.assign(answer=[_answer_words(say, a) for a in shown["answer"]])
    columns = ["trial", "source", "species", "begun", "ratio", "low", "high", "answer", "runs"]
    heads = {name: say.text(f"pool.head.{name}") for name in columns}
    notes = [say.text("pool.page.trial_note", level=say.confidence(inputs.pooled.level))]
    if len(table) > LISTED:
        notes.append(say.text("pool.page.more", n=len(table), shown=LISTED))
    return build_table(
        shown,
        columns=columns,
        say=say,
        caption=say.text("pool.page.trial_caption", response=head(inputs.pooled.first.response)),
        heads=heads,
        notes=notes,
        together=("ratio", "low", "high"),
    )


def _answer_words(say: Wording, answer: str) -> str:
    return say.either(f"row_answer.{answer}", "–")


def _trials(inputs: PoolInputs) -> Section:
    return Section("trials", inputs.say.text("pool.page.trials"), (_trial_table(inputs),))


def _influence(inputs: PoolInputs) -> Section:
    """Show what each trial does to the mean, the one that moves it most first."""
    say, table = inputs.say, inputs.pooled.table
    parts: list[Any] = [Words(say.text("pool.page.influence_words"))]
    if len(table) > 2:
        order = table["moves_se"].abs().sort_values(ascending=False, kind="stable").index
        shown = table.loc[order[: LISTED // 2]]
        shown = shown.assign(
            without_answer=[_answer_words(say, a) for a in shown["without_answer"]]
        )
        columns = ["trial", "source", "weight_pct", "without", "without_low", "without_high"]
        columns += ["without_answer", "moves_se", "odd_p"]
        parts.append(
            build_table(
                shown,
                columns=columns,
                say=say,
                caption=say.text("pool.page.influence_caption"),
                heads={name: say.text(f"pool.head.{name}") for name in columns},
                formats={"odd_p": say.p},
                together=("without", "without_low", "without_high"),
            )
        )
    return Section("influence", say.text("pool.page.influence"), tuple(parts))


def _views(inputs: PoolInputs) -> Section:
    """Show the answer by what trials differ in."""
    say = inputs.say
    parts: list[Any] = [Words(say.text("pool.page.view_words"))]
    found = views_of(inputs.pooled)
    for kind, table in found.items():
        names = [say.text("pool.unknown") if g == "?" else g for g in table["group"]]
        columns = ["group", "trials", "ratio", "low", "high"]
        heads = {name: say.text(f"pool.head.{name}") for name in columns}
        parts.append(
            build_table(
                table.assign(group=names),
                columns=columns,
                say=say,
                caption=say.text(f"pool.view.{kind}"),
                heads=heads | {"group": say.text(f"pool.kind.{kind}")},
                together=("ratio", "low", "high"),
            )
        )
    if not found:
        parts.append(Words(say.text("pool.page.no_views"), quiet=True))
    return Section("views", say.text("pool.page.views"), tuple(parts))


_LIMITS = ("mean", "depends", "next", "made_up")


def _limits(inputs: PoolInputs) -> Section:
    """Say what the page cannot say, what is doubtful, and what was set aside."""
    import pandas as pd

    say = inputs.say
    parts: list[Any] = [*show_findings(inputs.pooled.findings, say)]
    parts += [Words(say.text(f"pool.page.limit.{key}")) for key in _LIMITS]
    if inputs.aside:
        rows = [(source, say.written(why)) for source, why in inputs.aside[:LISTED]]
        parts.append(
            build_table(
                pd.DataFrame(rows, columns=["source", "why"]),
                columns=["source", "why"],
                say=say,
                caption=say.text("pool.page.aside", n=len(inputs.aside)),
                heads={name: say.text(f"pool.head.{name}") for name in ("source", "why")},
            )
        )
    return Section("limits", say.text("pool.page.cannot"), tuple(parts))
