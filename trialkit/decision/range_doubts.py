"""What the answer of a trial of ranges must not hide: early looks, losses, form, batches apart."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from trialkit.analysis.harvest_in import units_known
from trialkit.columns.harvest import LOST
from trialkit.decision.doubts import far_apart, is_lost_with_the_block
from trialkit.wording import Number, finding

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from trialkit.decision.harvest_ahead import Ahead
    from trialkit.errors import Finding
    from trialkit.trial import Trial

#: p of the lack of fit from which the surface is told not to fit.
_POOR = 0.05
#: p, for all settings together, from which a setting is told to act otherwise from batch to batch.
_APART = 0.10


def early_ranges(ahead: Ahead | None) -> list[Finding]:
    """Say that parts of the planned harvest are not in yet.

    Parameters
    ----------
    ahead : Ahead or None
        From `trialkit.decision.harvest_ahead.parts_ahead`.

    Returns
    -------
    list of Finding
    """
    if ahead is None:
        return []
    words: dict[str, Any] = {"missing": ahead.missing, "parts": ahead.parts, "kind": ahead.kind}
    return [finding("ranges_looked_early", "caution", **words)]


def form_doubts(tests: pd.DataFrame, *, seen: bool) -> list[Finding]:
    """Say where the yield departs from the surface, or where nothing could show whether it does.

    Parameters
    ----------
    tests : DataFrame
        `Surface.tests`.
    seen : bool
        Whether a best setting is named.

    Returns
    -------
    list of Finding
    """
    p = float(tests["p"].get("lack of fit", math.nan))
    if p <= _POOR:
        return [finding("surface_does_not_fit", "caution", p=Number(p, 3))]
    if math.isnan(p) and seen:
        return [finding("surface_unchecked", "caution")]
    return []


def batch_doubts(between: pd.DataFrame) -> list[Finding]:
    """Say which settings acted differently from batch to batch.

    Parameters
    ----------
    between : DataFrame
        `trialkit.surface.between_batches.slopes_between_batches`.

    Returns
    -------
    list of Finding
        One caution per setting with a Holm-adjusted p up to 10 %.
    """
    apart = between[between["p_holm"] <= _APART]
    return [
        finding("settings_differ_by_batch", "caution", treatment=str(name), p=Number(p, 3))
        for name, p in apart["p"].items()
    ]


def lost_of_settings(table: pd.DataFrame, treatments: Sequence[str]) -> pd.DataFrame:
    """Count lost blocks by what they were given.

    Parameters
    ----------
    table : DataFrame
        One row per block and flush, with `unit`, `status` and the treatments.
    treatments : sequence of str
        Whose levels tell blocks apart.

    Returns
    -------
    DataFrame
        The treatments, `lost`, `blocks`: those whose fate is known (`units_known`).

    Examples
    --------
    >>> import pandas as pd
    >>> table = pd.DataFrame({"unit": ["a", "b", "c"], "fresh_g": [9.0, None, 8.0],
    ...     "status": ["ok", "contaminated", "ok"], "mist": ["2 %", "2 %", "usual"]})
    >>> lost_of_settings(table, ["mist"]).to_dict("list")
    {'mist': ['2 %', 'usual'], 'lost': [1, 0], 'blocks': [2, 1]}
    """
    known = units_known(table)
    lost = table["status"].isin(LOST).groupby(table["unit"]).any()[known]
    given = table.drop_duplicates("unit").set_index("unit")[list(treatments)].astype(str)
    counted = given.reindex(lost.index).assign(lost=lost)
    groups = counted.groupby(list(treatments), sort=False)["lost"]
    return groups.agg(lost="sum", blocks="size").reset_index()


def lost_blocks(trial: Trial, table: pd.DataFrame) -> list[Finding]:
    """Say that the surface is about harvested blocks, and at which settings more were lost.

    Parameters
    ----------
    trial : Trial
    table : DataFrame
        One row per block and flush.

    Returns
    -------
    list of Finding
        One caution per setting that lost two blocks or more, and a larger share than all others
        together by as much as `trialkit.decision.doubts.far_apart` asks; else one note with the
        count of all.
    """
    if "status" not in table:
        return []
    found: list[Finding] = []
    lost = blocks = 0
    for factor in trial.tuned:
        counts = lost_of_settings(table, [factor.name])
        lost, blocks = int(counts["lost"].sum()), int(counts["blocks"].sum())
        if not lost or not is_lost_with_the_block(trial, trial.question.response):
            continue
        for row in counts.to_dict("records"):
            own = {"lost": int(row["lost"]), "blocks": int(row["blocks"])}
            there = {"lost": lost - own["lost"], "blocks": blocks - own["blocks"]}
            if not _lost_more(own, there):
                continue
            words = {"treatment": factor.name, "level": row[factor.name], **own}
            words |= {f"{k}_there": n for k, n in there.items()}
            found.append(finding("settings_lost_unevenly", "caution", **words))
    if not found and lost:
        found.append(finding("surface_of_harvested", "note", lost=lost, blocks=blocks))
    return found


def _lost_more(own: dict[str, int], there: dict[str, int]) -> bool:
    """Tell whether a setting lost more than the others; one block says nothing of a setting."""
    if own["lost"] < 2 or not there["blocks"]:
        return False
    more = own["lost"] / own["blocks"] > there["lost"] / there["blocks"]
    return more and far_apart([own["lost"], there["lost"]], [own["blocks"], there["blocks"]])
