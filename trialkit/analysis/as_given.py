"""The trial as it was given, beside the trial as it was planned, and which of them is followed.

As planned, every unit counts under the level that chance gave it: what chance compared stays
comparable whatever went wrong after, and a slip only waters a difference down. As given, it
counts under the level that it had; that answers the grower's question where the slip had nothing
to do with the harvest, and misleads where it had. So the answer follows the levels as given only
if the trial file says of every slip that it was not because of the harvest.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, Literal

from trialkit.errors import Finding
from trialkit.wording import finding, place, several

if TYPE_CHECKING:
    from trialkit.alignment.result import Aligned
    from trialkit.trial import Deviation, Trial

Reading = Literal["as planned", "as given"]


def data_as_given(trial: Trial, data: Aligned) -> Aligned | None:
    """Give the data with every unit under what it was given; None where that is as planned.

    Units that had no one level for nine tenths of their time are left out. What ran before it
    was drawn stands as it was given in both readings.
    """
    given = data.given
    if given is None:
        return None
    columns = [*trial.structure.factors, *trial.factors]
    got = given.set_index("unit").reindex(data.table["unit"])[columns].reset_index(drop=True)
    table = data.table.reset_index(drop=True).copy()
    without = got[list(trial.factors)].isna().any(axis=1)
    changed = (got.astype(str) != table[columns].astype(str)).any(axis=1)
    fixed = table["unit"].isin(data.not_randomised)
    if not (changed & ~fixed).any():
        return None
    table[columns] = got
    return replace(data, table=table[~without].reset_index(drop=True))


def reading_followed(trial: Trial, data: Aligned) -> Reading:
    """Say which reading the answer follows: as given only if no slip is connected."""
    slips = slips_told(trial, data)
    return "as given" if slips and all(d.connected is False for d in slips) else "as planned"


def slips_told(trial: Trial, data: Aligned) -> list[Deviation]:
    """List the entries that change what some unit got that had been drawn before it began."""
    if data.given is None:
        return []
    table = data.table.drop_duplicates("unit")
    drawn = table[~table["unit"].isin(data.not_randomised)]
    units = drawn[[*trial.structure.factors]].astype(str).to_dict("records")
    named = [{str(k): str(v) for k, v in unit.items()} for unit in units]
    return [
        d
        for d in trial.happened
        if d.changes_treatment
        and any(d.about(unit, i) for unit in named for i in range(len(d.units)))
    ]


def given_findings(trial: Trial, data: Aligned, given: Aligned | None) -> list[Finding]:
    """Say what went otherwise than planned, which reading is followed, and what that rests on."""
    found = _given_up(trial)
    if given is None:
        return found
    followed = reading_followed(trial, data)
    changed = _changed(trial, data, given)
    left_out = sorted(set(data.table["unit"]) - set(given.table["unit"]))
    words: dict[str, Any] = {"number": len(changed) + len(left_out)}
    named = several([place(unit) for unit in _runs(trial, data, [*changed, *left_out])], 6)
    form = "given" if followed == "as given" else "planned"
    severity: Literal["caution", "note"] = "caution" if form == "given" else "note"
    if form == "given" and left_out:
        form, words["left_out"] = "given_in_part", len(left_out)
    found.append(finding("given_otherwise", severity, form=form, places=named, **words))
    return found


def _changed(trial: Trial, data: Aligned, given: Aligned) -> list[str]:
    columns = [*trial.structure.factors, *trial.factors]
    before = data.table.drop_duplicates("unit").set_index("unit")[columns].astype(str)
    after = given.table.drop_duplicates("unit").set_index("unit")[columns].astype(str)
    differs = (before.loc[after.index] != after).any(axis=1)
    return [str(code) for code in after.index[differs]]


def _runs(trial: Trial, data: Aligned, codes: list[str]) -> list[dict[str, str]]:
    """Name the units of the stratum that was treated which hold some smallest units."""
    table = data.table[data.table["unit"].isin(codes)]
    term = list(trial.primary.applied_to)
    rows = table[term].astype(str).drop_duplicates().to_dict("records")
    return [{str(k): str(v) for k, v in row.items()} for row in rows]


def _given_up(trial: Trial) -> list[Finding]:
    """Say what was given up: if that was because of the harvest, what is left is no fair sample."""
    out = []
    for told in trial.happened:
        if told.kind != "given_up":
            continue
        unrelated = told.connected is False
        units = place(told.units[0])
        severity: Literal["caution", "note"] = "note" if unrelated else "caution"
        form = "unrelated" if unrelated else "open" if told.connected is None else "harvest"
        day = told.on.astimezone(trial.zone).date()
        out.append(
            finding("given_up", severity, form=form, place=units, day=day, reason=told.reason)
        )
    return out
