"""The account of every row read: kept, set aside or changed."""

from __future__ import annotations

from typing import Any

from trialkit.report.inputs import PageInputs
from trialkit.report.page_parts import Fold, Section, Table, Words, build_table

MOST_ROWS = 400  # ledger lines shown in full


def rows_section(inputs: PageInputs) -> Section:
    """Put together the account of every row read."""
    import pandas as pd

    say, logs = inputs.say, inputs.logs
    title = say.text("section.rows")
    if not logs:
        return Section("rows", title, (Words(say.text("rows.missing")),))
    summary = pd.concat([log.ledger.summary() for log in logs.values()], ignore_index=True)
    ledger = pd.concat([log.ledger.table for log in logs.values()], ignore_index=True)
    parts: list[Any] = [
        Words(say.text("rows.intro")),
        build_table(
            summary,
            columns=["file", "read", "kept", "set_aside"],
            say=say,
            caption=say.text("rows.summary_caption"),
        ),
    ]
    if not len(ledger):
        parts.append(Words(say.text("rows.none")))
        return Section("rows", title, tuple(parts))
    ledger = ledger.assign(
        meaning=[say.either(f"rule_meaning.{r}", "") for r in ledger["rule"]],
        action=[say.either(f"action.{a}", str(a)) for a in ledger["action"]],
        rule=[say.either(f"rule.{r}", str(r)) for r in ledger["rule"]],
        rows=ledger.get("rows", 1),
    )
    parts.append(_by_rule(inputs, ledger))
    parts.append(_every_row(inputs, ledger))
    return Section("rows", title, tuple(parts))


def _by_rule(inputs: PageInputs, ledger: Any) -> Table:
    say = inputs.say
    by_rule = (
        ledger.groupby(["action", "rule", "meaning"], sort=False)["rows"]
        .sum()
        .reset_index()
        .rename(columns={"rows": "count"})
    )
    return build_table(
        by_rule,
        columns=["action", "rule", "count", "meaning"],
        say=say,
        caption=say.text("rows.rules_caption"),
        row_heads=2,
    )


def _every_row(inputs: PageInputs, ledger: Any) -> Fold:
    say = inputs.say
    last = ledger["row_last"] if "row_last" in ledger else ledger["row"]
    shown = ledger.assign(
        row=[str(a) if a == b else f"{a}–{b}" for a, b in zip(ledger["row"], last, strict=True)]
    ).head(MOST_ROWS)
    columns = ["file", "row", "column", "rule", "action", "old", "new", "reason", "remedy"]
    columns = [c for c in columns if (shown[c].astype(str) != "").any()]
    notes = []
    if len(ledger) > MOST_ROWS:
        notes.append(say.text("rows.more", more=say.number(len(ledger) - MOST_ROWS, 0)))
    table = build_table(
        shown,
        columns=columns,
        say=say,
        caption=say.text("rows.list_caption"),
        notes=notes,
        row_heads=2,
    )
    return Fold(say.text("rows.list_fold"), (table,))
