"""What the levels save: water, electricity and money, and what repeating the layout would tell."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from trialkit.decision.break_even import break_even_words
from trialkit.decision.money import gain_note, risk_notes
from trialkit.decision.settle import first_fall
from trialkit.report.inputs import PageInputs
from trialkit.report.page_parts import Fold, Picture, Section, Table, Words, build_table
from trialkit.report.pictures import make_picture
from trialkit.wording import plural

if TYPE_CHECKING:
    import pandas as pd

#: Share of the width of its limits by which a gain may move with a price that hardly matters.
_FLAT = 0.25


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
    level = inputs.trial.question.level
    return make_picture(
        lambda: savings(use, level=level, basis=inputs.basis, wording=say),
        ident="savings",
        alt=say.text("alt.savings", rows=rows),
        caption=say.text("saves.figure", reference=inputs.reference),
    )


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
    """Put together what each level is worth, and what prices that move would change."""
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
            *map(say.written, risk_notes(money)),
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
    flat = [price for price in prices if _is_flat(money.by_price, price)]
    parts += [_price_picture(inputs, price) for price in prices if price not in flat]
    if flat:
        parts.append(_price_rows(inputs, flat))
    return parts


def _is_flat(by_price: pd.DataFrame, price: str) -> bool:
    """Tell whether a price that moves changes no gain by more than a quarter of its limits."""
    rows = by_price[by_price["price"] == price]
    for _, own in rows.groupby("level", sort=False):
        moved = float(own["gain"].max() - own["gain"].min())
        limits = float((own["high"] - own["low"]).mean())
        if not math.isfinite(limits) or moved > _FLAT * limits:
            return False
    return True


def _price_rows(inputs: PageInputs, prices: list[str]) -> Table:
    """Give one row for each price that hardly matters: what is gained at its ends."""
    import pandas as pd

    say, money = inputs.say, inputs.verdict.money
    assert money is not None  # the caller has checked
    told: list[dict[str, str]] = []
    for price in prices:
        rows = money.by_price[money.by_price["price"] == price]
        name = say.text(f"figure.price.{price}", currency=money.currency)
        row = {"price": name, "range": _ends(say, rows["at"].min(), rows["at"].max(), None)}
        for level, own in rows.groupby("level", sort=False):
            gains = own.sort_values("at")["gain"]
            row[str(level)] = _ends(say, gains.iloc[0], gains.iloc[-1], 1)
        told.append(row)
    frame = pd.DataFrame(told)
    return build_table(
        frame,
        columns=list(frame.columns),
        say=say,
        caption=say.text("saves.flat_caption", currency=money.currency),
        heads={
            "price": say.text("saves.flat_price"),
            "range": say.text("saves.flat_range"),
            **{str(c): str(c) for c in frame.columns[2:]},
        },
    )


def _ends(say: Any, first: float, last: float, decimals: int | None) -> str:
    words = {"low": say.number(first, decimals), "high": say.number(last, decimals)}
    return str(say.text("fact.limits", **words))


def _price_picture(inputs: PageInputs, price: str) -> Picture:
    """Draw how the gain moves with one price."""
    from trialkit.figures import price_sensitivity

    say, money = inputs.say, inputs.verdict.money
    assert money is not None  # the caller has checked
    rows = money.by_price[money.by_price["price"] == price]
    now = rows.loc[rows["multiple"] == 1, "at"]
    words = {"price": say.text(f"saves.price.{price}"), "factor": inputs.factor.name}
    return make_picture(
        lambda: price_sensitivity(
            money.by_price,
            price=price,
            currency=money.currency,
            order=inputs.levels,
            now=float(now.iloc[0]) if len(now) else None,
            basis=inputs.basis,
            wording=say,
        ),
        ident=f"price-{price}",
        alt=_price_alt(inputs, rows, words["price"]),
        caption=say.text("saves.price_title", **words),
    )


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
    picture = make_picture(
        lambda: power_curve(long, x="count", axis=axis, by="asked", wording=say),
        ident="settle",
        alt=alt,
        caption=say.text("saves.settle_title", repeats=repeats),
    )
    step = max(1, math.ceil(len(settle) / 10))
    rows = settle.iloc[::step].copy()
    for name in named:
        limits = (rows[name], rows[f"{name}_low"], rows[f"{name}_high"])
        rows[name] = [_with_range(say, *three) for three in zip(*limits, strict=True)]
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
    fold = Fold(say.text("saves.settle_fold"), (table,))
    parts: list[Any] = [Words(say.text("saves.settle_intro", repeats=repeats)), picture]
    fall = first_fall(settle)
    if by_batch and fall is not None:
        parts.append(Words(say.text("saves.settle_dip", count=fall, factor=inputs.factor.name)))
    return [*parts, fold]
