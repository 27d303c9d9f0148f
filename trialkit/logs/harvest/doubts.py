"""What is doubtful about the kept entries of the harvest sheets, and what is missing."""

from __future__ import annotations

import numpy as np
import pandas as pd

from trialkit.errors import Finding
from trialkit.logs.harvest.entries import Entries, show_values, unit_flush
from trialkit.logs.harvest.kilograms import tell_kilograms
from trialkit.trial import Trial
from trialkit.trial.flushes_to_come import flushes_to_come
from trialkit.wording import Message, finding, message, place, several


def tell_doubts(trial: Trial, entries: Entries) -> list[Finding]:
    """Tell slips of the decimal sign, flushes picked on several days, and what is missing."""
    kilograms, together = tell_kilograms(trial, entries)
    slips = _decimal_slips(entries, together)
    _picks(entries)
    return [
        *kilograms,
        *slips,
        *_weights_of_lost_blocks(entries),
        *_totals(trial, entries),
        *_nothing_at_all(entries),
        *_missing_units(trial, entries),
    ]


def _weights_of_lost_blocks(entries: Entries) -> list[Finding]:
    """Tell weights of blocks that are contaminated or discarded, and what is done with them."""
    table = entries.table
    mask = ((table["status"] != "ok") & table["fresh_g"].notna()).to_numpy()
    if not mask.any():
        return []
    for account, part in entries.each(mask):
        account.note(
            part["index"].to_numpy(),
            rule="weight of a lost block",
            column=entries.head(part, "fresh_g"),
            old=show_values(part["fresh_g"]),
            reason=[message("row_reason.lost_with_weight", status=s) for s in part["status"]],
            remedy=message("row_remedy.lost_with_weight"),
        )
    units = entries.units["unit"].to_numpy()
    lost = table[mask]
    told = [
        message("place.weighed", place=unit_flush(units[u], f), weight=float(w))
        for u, f, w in zip(lost["unit_at"], lost["flush"], lost["fresh_g"], strict=True)
    ]
    weights = several(told, 5)
    return [finding("lost_with_weight", "caution", count=len(told), weights=weights)]


def _decimal_slips(entries: Entries, together: np.ndarray) -> list[Finding]:
    """Tell weights about 10, 100 or 1000 times what the unit and the flush would give.

    On the log scale: weight − median of its flush − median of the unit's other flushes. A slip
    is a whole power of ten; it is told, not changed. Entries that are off `together` are
    told elsewhere.
    """
    table = entries.table
    sound = table[(table["fresh_g"] > 0) & (table["status"] == "ok")]
    if len(sound) < 6:
        return []
    size = np.log10(sound["fresh_g"])
    rest = size - size.groupby(sound["flush"]).transform("median")
    spread = 1.4826 * float(np.median(np.abs(rest - np.median(rest))))
    values = rest.to_numpy()
    expected = np.zeros(len(values))
    for own in sound.reset_index().groupby("unit_at").indices.values():
        if len(own) > 1:
            for at in own:
                expected[at] = np.median(values[own[own != at]])
    off = rest - expected
    power = np.round(off)
    slip = (power != 0) & (np.abs(off - power) < 0.35) & (np.abs(off) > max(0.65, 4 * spread))
    # the odd one out of two looks odd from both sides: the flush's own middle tells which it is
    slip &= np.abs(rest) > 0.5
    mask = table.index.isin(slip.index[slip]) & ~together
    if not mask.any():
        return []
    units = entries.units["unit"].to_numpy()
    told = []
    for account, part in entries.each(mask):
        factor = 10.0 ** power[part.index]
        would = part["fresh_g"] / factor
        account.note(
            part["index"].to_numpy(),
            rule="decimal slip",
            column=entries.head(part, "fresh_g"),
            old=show_values(part["fresh_g"]),
            reason=[message("row_reason.decimal_slip", times=float(f)) for f in factor],
            remedy=[message("row_remedy.decimal_slip", weight=float(w)) for w in would],
        )
        told += [
            message("place.weighed", place=unit_flush(units[u], f), weight=float(w))
            for u, f, w in zip(part["unit_at"], part["flush"], part["fresh_g"], strict=True)
        ]
    return [finding("decimal_slip", "caution", weights=several(told, 5))]


def _picks(entries: Entries) -> None:
    """Note flushes picked on several days: their weights belong together."""
    several = entries.table.duplicated(["unit_at", "flush"], keep=False).to_numpy()
    for account, part in entries.each(several):
        account.note(
            part["index"].to_numpy(),
            rule="picks added",
            old=show_values(part["fresh_g"]),
            reason=message("row_reason.picks_added"),
            remedy=message("row_remedy.picks_added"),
        )


def _totals(trial: Trial, entries: Entries) -> list[Finding]:
    """Tell units whose flushes together weigh more than the block did."""
    most = trial.blocks.wet_g
    if most is None:
        return []
    total = entries.table.groupby("unit_at")["fresh_g"].sum()
    over = total[total > most]
    if not len(over):
        return []
    units = entries.units["unit"].to_numpy()
    shown = several(
        [
            message("place.weighed", place=units[u], weight=float(w))
            for u, w in zip(over.index, over, strict=True)
        ],
        5,
    )
    return [finding("total_above_block", "caution", block=float(most), units=shown)]


#: Weights of zero from which on a whole group without a single mushroom is told.
_FEWEST_ZEROS = 4


def _nothing_at_all(entries: Entries) -> list[Finding]:
    """Tell chambers, or runs of a chamber, in which every weight is zero while others bore.

    One failed chamber moves every mean, and neither limits nor tests can know that it failed.
    """
    table = entries.table
    sound = table[(table["status"] == "ok") & table["fresh_g"].notna()]
    if not (sound["fresh_g"] > 0).any() or "chamber" not in entries.units:
        return []
    units = entries.units.iloc[sound["unit_at"].to_numpy()].reset_index(drop=True)
    units["bore"] = sound["fresh_g"].to_numpy() > 0
    told: list[Message] = []
    whole: set[str] = set()
    for name, bore in units.groupby("chamber", sort=False)["bore"]:
        if len(bore) >= _FEWEST_ZEROS and not bore.any():
            whole.add(str(name))
            told.append(_all_zero({"chamber": name}, len(bore)))
    if "batch" in units:
        for (batch, chamber), bore in units.groupby(["batch", "chamber"], sort=False)["bore"]:
            if chamber not in whole and len(bore) >= _FEWEST_ZEROS and not bore.any():
                told.append(_all_zero({"batch": batch, "chamber": chamber}, len(bore)))
    return [finding("nothing_at_all", "caution", places=several(told, 8))] if told else []


def _all_zero(levels: dict[str, object], weights: int) -> Message:
    return message("place.all_weights", place=place(levels), number=weights)


def _is_given_up(trial: Trial, units: pd.DataFrame, batch: str) -> bool:
    """Tell whether the trial file says that a whole batch was given up."""
    own = units if "batch" not in units else units[units["batch"] == batch]
    return bool(len(own)) and bool(own["unit"].isin(trial.given_up).all())


def _flushes_to_come(to_come: set[tuple[str, int]]) -> Finding:
    """Say which flushes of a batch without an end are taken as still to come."""
    ((batch, _), *_) = to_come
    form = "all" if batch == "all" else "batch"
    flushes = [place({"flush": flush}) for flush in sorted(flush for _, flush in to_come)]
    where = place({"batch": batch})
    return finding("flush_to_come", "note", form=form, place=where, flushes=several(flushes, 6))


def _missing_units(trial: Trial, entries: Entries) -> list[Finding]:
    """List units and flushes without a row, apart from those lost to contamination before."""
    table = entries.table
    units = entries.units
    present = set(zip(table["unit_at"], table["flush"], strict=True))
    lost = table[table["status"] != "ok"].groupby("unit_at")["flush"].min().to_dict()
    batches = units["batch"] if "batch" in units.columns else pd.Series("all", index=units.index)
    begun = set(batches.to_numpy()[table["unit_at"].to_numpy()]) if len(table) else set()
    seen = set(zip(batches.to_numpy()[table["unit_at"]], table["flush"], strict=True))
    to_come = flushes_to_come(trial, {(str(batch), int(flush)) for batch, flush in seen})
    waiting = [b for b in trial.batches if b not in begun and not _is_given_up(trial, units, b)]
    out = []
    if waiting:
        form = "all" if waiting == ["all"] else "batch"
        places = [place({"batch": batch}) for batch in waiting]
        out.append(finding("no_harvest", "note", form=form, place=several(places, 6)))
    missing = [
        (code, flush)
        for i, code in enumerate(units["unit"])
        for flush in range(1, trial.flushes + 1)
        if batches.iloc[i] in begun
        and code not in trial.given_up
        and (i, flush) not in present
        and flush <= lost.get(i, trial.flushes + 1)
        and (str(batches.iloc[i]), flush) not in to_come
    ]
    if to_come:
        out.append(_flushes_to_come(to_come))
    if missing:
        grown = batches[~units["unit"].isin(trial.never_grown)].astype(str)
        later = sum(int((grown == batch).sum()) for batch, _ in to_come)
        shown = [unit_flush(u, f) if trial.flushes > 1 else u for u, f in missing]
        out.append(
            finding(
                "units_missing",
                "caution",
                count=len(missing),
                all=len(grown) * trial.flushes - later,
                units=several(shown, 8),
            )
        )
    return out
