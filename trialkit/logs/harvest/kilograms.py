"""Weights that look like kilograms in a column of grams: all of them, or those of one place."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from trialkit.errors import Finding
from trialkit.logs.harvest.entries import Entries, show_values
from trialkit.trial import Trial
from trialkit.wording import Message, finding, message, place, several

#: Fewest weights of which anything is said, and on both sides of a comparison.
_FEWEST = 4
#: A usual flush below this share of the fresh block, or of its dry matter, is no yield in grams.
#: One kilogram written as 1 is a thousandth; a poor flush is a hundredth.
_LEAST_OF_WET, _LEAST_OF_DRY = 0.002, 0.005
#: Without the block's weight: a flush in kilograms is below this, and is not a whole number.
_MOST_KG = 10.0
#: A thousand on the log scale, and how far a group may be from it.
_THOUSAND, _NEAR = 3.0, 0.5
#: Share of a group's weights that must be off alike.
_MOST_OF_THEM = 0.8

_Group = tuple[Message | str, np.ndarray, float]


def tell_kilograms(trial: Trial, entries: Entries) -> tuple[list[Finding], np.ndarray]:
    """Tell weights about 1 000 times too low (or, of a few, too high) together; change none.

    Single weights are left to the check of the decimal sign.

    Parameters
    ----------
    trial : Trial
    entries : Entries

    Returns
    -------
    (list of Finding, ndarray of bool)
        What is told, and which rows of the entries' table belong to a group that is off.
    """
    table = entries.table
    mask = np.zeros(len(table), bool)
    sound = table[(table["fresh_g"] > 0) & (table["status"] == "ok")]
    if len(sound) < _FEWEST:
        return [], mask
    whole = _whole_column(trial, sound["fresh_g"].to_numpy(dtype=float))
    if whole:
        return whole, mask
    groups = list(_groups(entries, sound))
    for _, rows, _ in groups:
        mask[rows] = True
    _note(entries, groups)
    out = []
    for form, sign in (("below", -1), ("above", 1)):
        places = [name for name, _, off in groups if off * sign > 0]
        if places:
            out.append(finding("kilograms", "caution", form=form, places=several(places, 6)))
    return out, mask


def _whole_column(trial: Trial, weights: np.ndarray) -> list[Finding]:
    """Tell a column whose weights are no flushes in grams, by the block or else by their look."""
    usual, blocks = float(np.median(weights)), trial.blocks
    facts = [("wet", blocks.wet_g, _LEAST_OF_WET), ("dry", blocks.dry_substrate_g, _LEAST_OF_DRY)]
    known = [(form, block, share) for form, block, share in facts if block is not None]
    for form, block, share in known:
        if usual < share * block:
            values = {"usual": usual, "block": float(block)}
            return [finding("kilograms", "caution", form=form, **values)]
    stated = "fresh_g" in trial.logs["harvest"].units
    broken = np.mean(weights != np.floor(weights))
    if not known and not stated and weights.max() < _MOST_KG and broken > 0.5:
        return [finding("kilograms", "caution", form="asked", usual=usual, most=_MOST_KG)]
    return []


def _groups(entries: Entries, sound: pd.DataFrame) -> Iterator[_Group]:
    """Give the widest groups of entries that are off: name, rows, and the logarithm of how much."""
    size = np.log10(sound["fresh_g"].to_numpy(dtype=float))
    if np.ptp(size) < _THOUSAND - _NEAR:
        return  # no two weights are that far apart, so no groups are
    units = entries.units.iloc[sound["unit_at"].to_numpy()]
    frame = pd.DataFrame(
        {
            "row": sound.index.to_numpy(),
            "size": size,
            "flush": sound["flush"].to_numpy(),
            "sheet": sound["sheet"].to_numpy(),
            **{f: units[f].to_numpy() for f in ("batch", "chamber") if f in units},
        }
    )
    for keys in (["sheet"], ["batch"], ["chamber"], ["flush"], ["batch", "chamber"]):
        if not set(keys) <= set(frame):
            continue
        parts = dict(list(frame.groupby(keys, sort=False)))
        off = {name: _off(part, frame.drop(part.index), keys) for name, part in parts.items()}
        low = [name for name, much in off.items() if much < 0]
        # of two halves each is off beside the other: the lighter one is told
        for name in low or [name for name, much in off.items() if much > 0]:
            named = dict(zip(keys, name, strict=True))
            yield _name(entries, named), parts[name]["row"].to_numpy(), off[name]
            frame = frame.drop(parts[name].index)


def _off(part: pd.DataFrame, rest: pd.DataFrame, keys: list[str]) -> float:
    """Say how far a group is from the others, flush by flush; 0 where not about a thousand."""
    if len(part) < _FEWEST or len(rest) < _FEWEST:
        return 0.0
    if keys == ["flush"]:
        gaps = part["size"] - rest["size"].median()
    else:
        gaps = part["size"] - part["flush"].map(rest.groupby("flush")["size"].median())
    gaps = gaps.dropna()
    for sign in (-1.0, 1.0):
        near = (gaps - sign * _THOUSAND).abs()
        if len(gaps) >= _FEWEST and near.median() < _NEAR:
            alike = (near < 2 * _NEAR).mean() >= _MOST_OF_THEM
            return sign * _THOUSAND if alike else 0.0
    return 0.0


def _name(entries: Entries, named: dict[str, object]) -> Message | str:
    sheet = named.get("sheet")
    return place(named) if sheet is None else entries.accounts[int(str(sheet))].file


def _note(entries: Entries, groups: list[_Group]) -> None:
    for _, rows, off in groups:
        mask = np.zeros(len(entries.table), bool)
        mask[rows] = True
        for account, part in entries.each(mask):
            account.note(
                part["index"].to_numpy(),
                rule="unit of weight doubtful",
                column=entries.head(part, "fresh_g"),
                old=show_values(part["fresh_g"]),
                reason=message("row_reason.decimal_slip_of_all", times=10.0**off),
                remedy=message("row_remedy.kept_as_entered"),
            )
