"""What a verdict must not hide: a look before the end, and blocks lost unevenly."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from trialkit.analysis.by_run import fit_by_run
from trialkit.analysis.harvest_in import units_known
from trialkit.columns.harvest import LOST
from trialkit.columns.response import response_of
from trialkit.decision.harvest_ahead import Ahead, harvest_ahead
from trialkit.errors import Finding, ModelError
from trialkit.wording import Joined, Message, finding, message

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.analysis.result import Analysis
    from trialkit.trial import Trial

#: Difference in lost blocks from which they are spoken of [percentage points].
UNEVEN_PCT = 5.0
#: False alarms of repeated 5 % tests after 2, 3, … looks at even distances [%].
REPEATED_PCT = {2: 8.3, 3: 10.7, 4: 12.6, 5: 14.2}


def early_look(trial: Trial, result: Analysis, ahead: Ahead | None = None) -> list[Finding]:
    """Say where parts of the planned harvest are not in yet.

    Parameters
    ----------
    trial : Trial
    result : Analysis
    ahead : Ahead, optional
        From `trialkit.decision.harvest_ahead`; worked out by default.

    Returns
    -------
    list of Finding
        One caution where a batch (or a flush of one) has no row with a fate, unless this is a
        look that the trial file plans; else none.

    Notes
    -----
    Testing again and again as the harvest comes in, and stopping at the first good answer,
    makes false answers more likely: 5 % become 8.3, 10.7, 12.6 and 14.2 % with 2 to 5 looks
    [1]_. Acting early only on limits of 99.9 % leaves the last look at very nearly its own
    level [2]_.

    References
    ----------
    .. [1] Armitage P, McPherson CK, Rowe BC (1969). Repeated significance tests on
       accumulating data. J R Stat Soc A 132:235-244 (values cited from memory).
    .. [2] Haybittle JL (1971). Repeated assessment of results in clinical trials of cancer
       treatment. Br J Radiol 44:793-797 (cited from memory).
    """
    ahead = harvest_ahead(trial, result) if ahead is None else ahead
    if ahead is None:
        return []
    following = () if ahead.next_look is None else (_next_look(*ahead.next_look),)
    return [
        finding(
            "looked_early",
            "caution",
            missing=ahead.missing,
            parts=ahead.parts,
            kind=ahead.kind,
            few=REPEATED_PCT[2],
            many=REPEATED_PCT[5],
            now=Joined((_at_present(list(ahead.clear)), *following), "; "),
        )
    ]


def _at_present(named: list[str]) -> Message:
    return message("doubt.now.clear", levels=named) if named else message("doubt.now.open")


def _next_look(following: int, total: int) -> Message:
    """Say where the next planned look is."""
    return message("doubt.next_look", following=following, total=total)


def _is_lost_with_the_block(trial: Trial, response: str) -> bool:
    """Whether a lost block has none of a response: weights, caps, biological efficiency."""
    asked = response_of(response, trial.harvest_columns)
    return asked.additive and asked.better == "more"


def uneven_losses(trial: Trial, result: Analysis) -> list[Finding]:
    """Say where schedules lost blocks unevenly, and what they gave per block started.

    The verdict is about blocks that were harvested. Where a schedule loses more blocks, that
    is not what the grower gets: a lost block, counted as nothing, is.

    Parameters
    ----------
    trial : Trial
    result : Analysis

    Returns
    -------
    list of Finding
        One caution per level whose share of lost blocks is further than `UNEVEN_PCT`, and
        1.64 binomial standard errors, from the control's; where the treatment was given to
        chamber runs with the ratio of the yields per block started. Blocks are counted as in the
        table of lost blocks: those whose fate is known (`units_known`).
    """
    table, primary = result.data.table, trial.primary
    if "status" not in table or not _is_lost_with_the_block(trial, result.terms.response):
        return []
    known = units_known(table)
    lost = table["status"].isin(LOST).groupby(table["unit"]).any()[known]
    level = table.drop_duplicates("unit").set_index("unit")[primary.name].astype(str)
    counts = lost.groupby(level.reindex(lost.index)).agg(["sum", "size"])
    share = 100 * counts["sum"] / counts["size"]
    found: list[Finding] = []
    started = None
    for name in [x for x in share.index if x != primary.reference]:
        if primary.reference not in share or not _far_apart(counts.loc[[name, primary.reference]]):
            continue
        started = _per_block_started(trial, result) if not found else started
        at = None if started is None else started[started["level"].astype(str) == name]
        n = counts.loc[[name, primary.reference]].to_numpy()
        words: dict[str, Any] = {
            "level": name,
            "reference": primary.reference,
            "lost": int(n[0][0]),
        }
        words |= {"blocks": int(n[0][1]), "lost_there": int(n[1][0]), "blocks_there": int(n[1][1])}
        form = "plain"
        if at is not None and len(at):
            form = "per_block"
            row = at.iloc[0]
            words |= {k: float(100 * row[k]) for k in ("ratio", "low", "high")}
        found.append(finding("losses_uneven", "caution", form=form, **words))
    return found


def _far_apart(counts: pd.DataFrame) -> bool:
    """Say whether two shares of lost blocks are worth a word: a filter, not a test."""
    shares = (counts["sum"] / counts["size"]).to_numpy(dtype=float)
    both = float(counts["sum"].sum() / counts["size"].sum())
    error = (both * (1 - both) * float((1 / counts["size"]).sum())) ** 0.5
    return bool(abs(shares[0] - shares[1]) > max(UNEVEN_PCT / 100, 1.64 * error))


def _per_block_started(trial: Trial, result: Analysis) -> pd.DataFrame | None:
    """Compare yields per block started, lost ones counted as nothing, between chamber runs."""
    table, primary, response = result.data.table, trial.primary, result.terms.response
    keys = [name for name in ("batch", "chamber") if name in trial.levels]
    if not keys or not set(primary.applied_to) <= set(keys):
        return None
    # what was not counted of a block that lived is not nothing
    known = table.assign(whole=table[response].notna() | table["status"].isin(LOST))
    runs = known.groupby(keys, sort=False, observed=True)
    totals = runs.agg(
        got=(response, "sum"),
        units=("unit", "nunique"),
        level=(primary.name, "first"),
        whole=("whole", "all"),
    ).reset_index()
    totals = totals[totals["whole"]].rename(columns={"level": primary.name})
    totals["per_block"] = totals["got"] / totals["units"]
    try:
        fit = fit_by_run(trial, totals, "per_block")
        return fit.noninferior(
            primary.name,
            against=primary.reference,
            margin_pct=trial.question.margin_pct,
            level=result.joint_level,
        )
    except ModelError:
        return None
