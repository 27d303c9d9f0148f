"""What covariates and further blocks cost: degrees of freedom of the error."""

from __future__ import annotations

from trialkit.structure import Term
from trialkit.trial import Trial
from trialkit.trial.covariates import Covariate
from trialkit.wording import Message, message

_BATCH = "batch"


def df_taken(trial: Trial, stratum: Term) -> list[tuple[Covariate, int]]:
    """List the covariates that cost a comparison between some units, and how much.

    A covariate of larger or of the same units as the treatment was given to costs one, a further
    block one less than it has names; those of smaller units cost the comparison next to nothing.
    Where some batches are not in yet, the names of those that are in count.
    """
    given = [factor.applied_to for factor in trial.factors.values()]
    return [
        (known, _df(trial, known))
        for known in trial.covariates.values()
        if set(known.by) <= set(stratum) and not known.held_by_layout(given)
    ]


def cost_notes(trial: Trial, treatment: str, stratum: Term, error_df: int) -> list[Message]:
    """Say which degrees of freedom covariates take from the error of a treatment.

    Parameters
    ----------
    trial : Trial
    treatment : str
    stratum : tuple of str
        Units that the treatment is compared between.
    error_df : int
        Degrees of freedom for error without covariates.
    """
    said = []
    for known, df in df_taken(trial, stratum):
        words = {"name": known.label, "treatment": treatment, "all": error_df, "df": df}
        if known.use == "covariate":
            said.append(message("power_covariate.takes_one", **words))
            continue
        # a name that holds for a whole batch is taken out with the batch itself
        within = _BATCH in known.by and len(known.by) > 1
        key = "takes_within" if within else "takes"
        said.append(message(f"power_covariate.{key}", names=df + 1, **words))
    return said


def _df(trial: Trial, known: Covariate) -> int:
    if known.use == "covariate":
        return 1
    here = [set(trial.levels[name]) for name in known.by]
    names = {
        str(value)
        for unit, value in known.values.items()
        if all(part in some for part, some in zip(unit.split(":"), here, strict=True))
    }
    return max(1, len(names) - 1)
