"""The rules of the harvest sheet that set entries aside or leave values out."""

from __future__ import annotations

import numpy as np

from trialkit.logs.harvest.entries import Entries, Sheet, local_days, show_values
from trialkit.logs.opening import Reading

#: Dry matter of fresh mushrooms beyond these shares is doubtful (common practice, no source).
DRY_SHARE = (0.02, 0.40)


def check_values(reading: Reading, sheet: Sheet) -> None:
    """Set impossible weights of one sheet aside; leave impossible counts and dry weights out."""
    _impossible_weights(reading, sheet)
    _doubtful_dry(sheet)
    _impossible_caps(sheet)


def check_entries(reading: Reading, entries: Entries) -> None:
    """Set doubled, contradicting and empty entries aside."""
    _copies(entries)
    _conflicts(reading, entries)
    _missing_weights(reading, entries)


def _impossible_weights(reading: Reading, sheet: Sheet) -> None:
    account, heads = sheet.opened.account, sheet.opened.columns.heads
    for column, values in (("fresh_g", sheet.fresh_g), ("dry_g", sheet.dry_g)):
        negative = np.flatnonzero(values < 0)
        account.set_aside(
            negative, rule="negative weight", column=heads.get(column, column),
            old=show_values(values[negative]), reason="a weight cannot be below zero",
            remedy="weigh again or correct the sign",
        )  # fmt: skip
    blocks = reading.trial.blocks
    most = blocks.max_flush_g or blocks.wet_g
    if most is None:
        return
    named = "max_flush_g" if blocks.max_flush_g else "the block's own weight, wet_g"
    heavy = np.flatnonzero(sheet.fresh_g > most)
    account.set_aside(
        heavy, rule="heavier than the block", column=heads.get("fresh_g", "fresh_g"),
        old=show_values(sheet.fresh_g[heavy]),
        reason=f"more than {most:g} g, {named} in [blocks]",
        remedy="correct the weight: a lost decimal sign, or another unit?",
    )  # fmt: skip


def _doubtful_dry(sheet: Sheet) -> None:
    account, head = sheet.opened.account, sheet.opened.columns.heads.get("dry_g", "dry_g")
    above = np.flatnonzero(sheet.dry_g > sheet.fresh_g)
    if len(above):
        may = account.change(
            above, rule="dry weight above fresh", column=head, old=show_values(sheet.dry_g[above]),
            new="", reason="the dry weight is above the fresh weight; it is left out",
            remedy="see whether the two columns were swapped",
        )  # fmt: skip
        sheet.dry_g[may] = np.nan
    with np.errstate(divide="ignore", invalid="ignore"):
        share = sheet.dry_g / sheet.fresh_g
    odd = np.flatnonzero(((share < DRY_SHARE[0]) | (share > DRY_SHARE[1])) & (sheet.fresh_g > 0))
    if len(odd):
        account.note(
            odd, rule="dry weight doubtful", column=head, old=show_values(sheet.dry_g[odd]),
            reason=[f"{100 * s:.3g} % of the fresh weight" for s in share[odd]],
            remedy="compare with the note; the value is kept",
        )  # fmt: skip


def _impossible_caps(sheet: Sheet) -> None:
    account, head = sheet.opened.account, sheet.opened.columns.heads.get("caps", "caps")
    with np.errstate(invalid="ignore"):
        odd = np.flatnonzero((sheet.caps < 0) | (sheet.caps != np.floor(sheet.caps)))
    odd = odd[~np.isnan(sheet.caps[odd])]
    if len(odd):
        may = account.change(
            odd, rule="caps impossible", column=head, old=show_values(sheet.caps[odd]), new="",
            reason="a count is a whole number from 0; it is left out",
            remedy="see whether it stands in the wrong column",
        )  # fmt: skip
        sheet.caps[may] = np.nan


def _copies(entries: Entries) -> None:
    """Set aside rows that repeat an earlier one in every value."""
    keys = ["unit_at", "flush", "ns", "fresh_g", "dry_g", "caps", "status"]
    table = entries.table
    again = table.duplicated(keys).to_numpy() & entries.alive()
    if not again.any():
        return
    first = table[entries.alive()].drop_duplicates(keys).set_index(keys[:2])
    for account, part in entries.each(again):
        reasons = []
        for _, row in part.iterrows():
            earlier = first.loc[[(row["unit_at"], row["flush"])]].iloc[0]
            reasons.append(f"the same entry stands in {entries.where(earlier)}")
        account.set_aside(
            part["index"].to_numpy(), rule="double entry", old=show_values(part["fresh_g"]),
            reason=reasons, remedy="delete one of them, or correct the unit or flush of one",
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
            rest = [f"{entries.where(r)} says {r['fresh_g']:g} g" for _, r in same.iterrows()
                    if r["index"] != row["index"] or r["sheet"] != row["sheet"]]  # fmt: skip
            reasons.append(
                f"{units[row['unit_at']]}, flush {row['flush']}, stands twice for the same day: "
                + "; ".join(rest[:3])
            )
        account.set_aside(
            part["index"].to_numpy(), rule="conflicting entries", old=show_values(part["fresh_g"]),
            reason=reasons,
            remedy="delete the wrong one; if both were picked, keep both rows in the trial file",
        )  # fmt: skip


def _missing_weights(reading: Reading, entries: Entries) -> None:
    """Set aside rows of sound blocks that have neither weight nor count."""
    table = entries.table
    empty = table[["fresh_g", "dry_g", "caps"]].isna().all(axis=1).to_numpy()
    fresh = table["fresh_g"].isna().to_numpy() & (reading.trial.question.response == "fresh_g")
    mask = (empty | fresh) & (table["status"] == "ok").to_numpy() & entries.alive()
    for account, part in entries.each(mask):
        account.set_aside(
            part["index"].to_numpy(), rule="weight missing", keepable=False,
            old=part["note"].to_numpy(dtype=object),
            reason="there is no weight, and the state does not say why",
            remedy="enter the weight; 0 if nothing grew; contaminated or discarded if it was lost",
        )  # fmt: skip
