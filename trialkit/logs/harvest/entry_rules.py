"""The rules of the harvest sheet that look across entries: doubled, contradicting, empty."""

from __future__ import annotations

import numpy as np

from trialkit.logs.harvest.entries import Entries, show_values, unit_flush
from trialkit.logs.reading import Reading
from trialkit.logs.text.days import local_days
from trialkit.wording import message, several


def check_entries(reading: Reading, entries: Entries) -> None:
    """Set doubled, contradicting and empty entries aside."""
    _copies(reading, entries)
    _conflicts(reading, entries)
    _missing_weights(reading, entries)


def _copies(reading: Reading, entries: Entries) -> None:
    """Set aside rows that repeat an earlier one in every value."""
    keys = ["unit_at", "flush", "ns", *reading.trial.harvest_columns, "status"]
    table = entries.table
    again = table.duplicated(keys).to_numpy() & entries.alive()
    if not again.any():
        return
    first = table[entries.alive()].drop_duplicates(keys).set_index(keys[:2])
    for account, part in entries.each(again):
        reasons = []
        for _, row in part.iterrows():
            earlier = first.loc[[(row["unit_at"], row["flush"])]].iloc[0]
            reasons.append(message("row_reason.double_entry", where=entries.where(earlier)))
        account.set_aside(
            part["index"].to_numpy(), rule="double entry", old=show_values(part["fresh_g"]),
            reason=reasons, remedy=message("row_remedy.double_entry"),
        )  # fmt: skip


def _conflicts(reading: Reading, entries: Entries) -> None:
    """Set aside entries of one unit, flush and day that contradict each other."""
    live, table = entries.alive(), entries.table
    day = local_days(entries.table["ns"].to_numpy(), reading.zone)
    keyed = table.assign(_day=day)
    keys = ["unit_at", "flush", "_day"]
    clash = keyed[live].duplicated(keys, keep=False)
    mask = np.zeros(len(table), bool)
    mask[np.flatnonzero(live)] = clash.to_numpy()
    if not mask.any():
        return
    units = reading.trial.unit_table()["unit"].to_numpy()
    for account, part in entries.each(mask):
        reasons = []
        for _, row in keyed.loc[part.index].iterrows():
            same = keyed[mask & (keyed[keys] == row[keys]).all(axis=1).to_numpy()]
            rest = [
                message("place.says", where=entries.where(r), weight=float(r["fresh_g"]))
                for _, r in same.iterrows()
                if r["index"] != row["index"] or r["sheet"] != row["sheet"]
            ]
            here = unit_flush(units[row["unit_at"]], row["flush"])
            reasons.append(
                message("row_reason.conflicting_entries", place=here, others=several(rest, 3))
            )
        account.set_aside(
            part["index"].to_numpy(), rule="conflicting entries", old=show_values(part["fresh_g"]),
            reason=reasons,
            remedy=message("row_remedy.conflicting_entries"),
        )  # fmt: skip


def _missing_weights(reading: Reading, entries: Entries) -> None:
    """Set aside rows of sound blocks that have neither weight nor count."""
    table = entries.table
    empty = table[list(reading.trial.harvest_columns)].isna().all(axis=1).to_numpy()
    fresh = table["fresh_g"].isna().to_numpy() & (reading.trial.question.response == "fresh_g")
    mask = (empty | fresh) & (table["status"] == "ok").to_numpy() & entries.alive()
    for account, part in entries.each(mask):
        account.set_aside(
            part["index"].to_numpy(), rule="weight missing", keepable=False,
            old=part["note"].to_numpy(dtype=object),
            reason=message("row_reason.weight_missing"),
            remedy=message("row_remedy.weight_missing"),
        )  # fmt: skip
