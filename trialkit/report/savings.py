"""What the levels save: water, electricity and money, and what repeating the layout would tell."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from trialkit.decision.break_even import break_even_words
from trialkit.decision.money import gain_note
from trialkit.report.inputs import PageInputs
from trialkit.report.page_parts import Picture, Section, Table, Words, build_table
from trialkit.report.svg import inline_svg
from trialkit.wording import plural

if TYPE_CHECKING:
    import pandas as pd


def saves_section(inputs: PageInputs) -> Section:
    """Put together water, electricity and money."""
    say, verdict = inputs.say, inputs.verdict
    parts: list[Any] = []
    if not len(verdict.use):
        parts += [Words(say.written(line)) for line in _missing(inputs)]
    else:
        parts.append(Words(say.text("saves.intro")))
        if verdict.use["saving_pct"].notna().any():
            parts.append(_savings(inputs))
        parts.append(_use_table(inputs))
    parts += _money(inputs)
    parts += _settle(inputs)
    return Section("saves", say.text("section.saves"), tuple(parts))


def _missing(inputs: PageInputs) -> list[Any]:
    """Say which piece is missing to know water and electricity."""
    from trialkit.decision.use_lines import missing_pieces

    verdict = inputs.verdict
    found = missing_pieces(inputs.trial, verdict.totals, verdict.use)
    return found or [inputs.say.text("saves.none")]


def _savings(inputs: PageInputs) -> Picture:
    from trialkit.figures import savings

    say, use = inputs.say, inputs.verdict.use
    ax = savings(use, level=inputs.trial.question.level, basis=inputs.basis, wording=say)
    rows = say.listed(
        [
            say.text(
                "alt.change",
                level=f"{say.text('figure.use.' + str(row['use']))} {row['level']}",
                estimate=say.percent(row["saving_pct"]),
                low=say.percent(row["saving_low_pct"]),
                high=say.percent(row["saving_high_pct"]),
            )
            for row in use.to_dict("records")
            if math.isfinite(row["saving_pct"])
        ]
    )
    svg = inline_svg(ax, ident="savings", alt=say.text("alt.savings", rows=rows))
    return Picture(svg, say.text("saves.figure", reference=inputs.reference))


def _use_table(inputs: PageInputs) -> Table:
    say = inputs.say
    frame = inputs.verdict.use.assign(
        use=[say.text(f"figure.use.{u}") for u in inputs.verdict.use["use"]]
    )
    percent = dict.fromkeys(
        ("saving_pct", "saving_low_pct", "saving_high_pct"), lambda v: say.number(v, 0)
    )
    number = dict.fromkeys(("estimate", "low", "high"), lambda v: say.number(v))
    columns = ["use", "level", "unit", "estimate", "low", "high", *percent, "runs"]
    if frame["planned"].any():
        columns.append("planned")
    return build_table(
        frame,
        columns=columns,
        say=say,
        caption=say.text("saves.use_caption", level=inputs.level),
        heads={"level": inputs.factor.name},
        formats={**percent, **number},
        row_heads=2,
    )


def _money(inputs: PageInputs) -> list[Any]:
    from trialkit.figures import price_sensitivity

    say, money = inputs.say, inputs.verdict.money
    if money is None:
        return []
    pays = break_even_words(money.break_even, money.currency)
    name = inputs.factor.name
    columns = ["level", "estimate", "low", "high", "gain", "gain_low", "gain_high"]
    if money.table["gain_year"].notna().any():
        columns.append("gain_year")
    table = build_table(
        money.table,
        columns=[*columns, "expected_loss", "chance_best"],
        say=say,
        caption=say.text("saves.money_caption", level=inputs.level, factor=name)
        + f" [{money.currency}]",
        heads={"level": name, "estimate": say.text("column.worth")},
        formats={"chance_best": lambda v: say.percent(100 * float(v))},
        notes=[
            say.text("saves.risk_note"),
            say.text(
                "verdict_table.priced",
                prices=[say.text(f"saves.price.{price}") for price in money.counted],
            ),
            *(say.written(said) for said in (*gain_note(money), *pays)),
        ],
    )
    prices = list(dict.fromkeys(money.by_price["price"]))
    counted = [name for name in ("water", "energy") if name in money.counted]
    intro = "alone" if not counted else counted[0] if len(counted) == 1 else "both"
    parts: list[Any] = [Words(say.text(f"saves.money_intro.{intro}")), table]
    for price in prices:
        rows = money.by_price[money.by_price["price"] == price]
        now = rows.loc[rows["multiple"] == 1, "at"]
        ax = price_sensitivity(
            money.by_price,
            price=price,
            currency=money.currency,
            order=inputs.levels,
            now=float(now.iloc[0]) if len(now) else None,
            basis=inputs.basis,
            wording=say,
        )
        words = {"price": say.text(f"saves.price.{price}"), "factor": name}
        alt = _price_alt(inputs, rows, words["price"])
        svg = inline_svg(ax, ident=f"price-{price}", alt=alt)
        parts.append(Picture(svg, say.text("saves.price_title", **words)))
    return parts


def _price_alt(inputs: PageInputs, rows: pd.DataFrame, price: str) -> str:
    say, money = inputs.say, inputs.verdict.money
    assert money is not None  # the caller has checked
    told = []
    for level, own in rows.groupby("level", sort=False):
        ends = own.sort_values("at")["gain"]
        words = {"first": say.number(ends.iloc[0], 0), "last": say.number(ends.iloc[-1], 0)}
        told.append(say.text("alt.price_row", level=level, currency=money.currency, **words))
    return say.text(
        "alt.price",
        price=price,
        rows=say.listed(told),
        from_price=say.number(rows["at"].min()),
        to_price=say.number(rows["at"].max()),
    )


def _by_question(settle: pd.DataFrame, named: dict[str, str]) -> pd.DataFrame:
    """Give one row per count and question: `count, asked, power, low, high`."""
    import pandas as pd

    columns = {"power": "", "low": "_low", "high": "_high"}
    return pd.concat(
        [
            settle[["count"]].assign(
                asked=words, **{c: settle[f"{name}{end}"] for c, end in columns.items()}
            )
            for name, words in named.items()
        ],
        ignore_index=True,
    )


def _with_range(say: Any, chance: float, low: float, high: float) -> str:
    """Write a chance and, in brackets, what the trial leaves open about it."""
    middle, first, last = (say.percent(100 * float(v)) for v in (chance, low, high))
    return str(say.text("saves.settle_cell", chance=middle, low=first, high=last))


def _settle(inputs: PageInputs) -> list[Any]:
    """Show what repeating the layout would tell, for the two questions a trial can ask."""
    from trialkit.figures import power_curve

    say, settle = inputs.say, inputs.verdict.settle
    if not len(settle):
        return []
    repeats = plural(str(settle["repeats"].iloc[0]))
    words = {"margin": inputs.margin, "repeats": repeats}
    words["difference"] = f"{say.number(inputs.trial.question.difference_pct)} %"
    named = {name: say.text(f"saves.settle.{name}", **words) for name in ("no_worse", "difference")}
    long = _by_question(settle, named)
    axis = say.text("saves.settle_axis", repeats=repeats)
    ax = power_curve(long, x="count", axis=axis, by="asked", wording=say)
    told = [
        say.text(
            "alt.settle_row",
            asked=words_,
            first=say.percent(100 * settle[name].iloc[0]),
            last=say.percent(100 * settle[name].iloc[-1]),
        )
        for name, words_ in named.items()
    ]
    ends = {"from_count": int(settle["count"].iloc[0]), "to_count": int(settle["count"].iloc[-1])}
    alt = say.text("alt.settle", rows="; ".join(told), repeats=repeats, **ends)
    svg = inline_svg(ax, ident="settle", alt=alt)
    step = max(1, math.ceil(len(settle) / 10))
    rows = settle.iloc[::step].copy()
    for name in named:
        parts = (rows[name], rows[f"{name}_low"], rows[f"{name}_high"])
        rows[name] = [_with_range(say, *three) for three in zip(*parts, strict=True)]
    by_batch = str(inputs.verdict.settle["repeats"].iloc[0]) == "batch"
    notes = [say.text("saves.settle_batches", factor=inputs.factor.name)] if by_batch else []
    table = build_table(
        rows,
        columns=["count", *named],
        say=say,
        caption=say.text("saves.settle_caption"),
        heads={"count": repeats, **named},
        notes=notes,
    )
    title = say.text("saves.settle_title", repeats=repeats)
    return [Words(say.text("saves.settle_intro", repeats=repeats)), Picture(svg, title), table]
