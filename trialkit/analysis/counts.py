"""Counts and shares by the models made for them: quasi-Poisson and quasi-binomial on units.

The unit that received the treatment gives one count (caps of its blocks) or one share (its lost
blocks), so blocks are never taken for repeats. What units differ by beyond chance goes into the
dispersion.
"""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from trialkit.analysis.harvest_in import units_known
from trialkit.columns.harvest import LOST

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

    from trialkit.alignment.result import Aligned
    from trialkit.trial import Factor, Trial

Kind = Literal["count", "share"]

#: Fewest degrees of freedom for error: below, the test of a share rejected next to nothing.
LEAST_DF: dict[Kind, int] = {"count": 1, "share": 3}
#: Counts allow for chambers, too, where that leaves as many degrees of freedom. Shares do not:
#: with so many parameters for so few lost blocks their test rejected 10 % of true nulls.
DF_FOR_CHAMBERS = 6
#: From this many degrees of freedom on, shares of units may be found to vary less than chance lets
#: them. With fewer the test of shares rejected up to 9 % of true nulls that way. Counts always may.
DF_FOR_LESS_THAN_CHANCE = 8
#: Ratios beyond e to this are not looked for.
FARTHEST = 12.0


def modelled_outcomes(trial: Trial, data: Aligned) -> pd.DataFrame:
    """Compare lost blocks and whole-number outcomes between the levels of every treatment.

    Parameters
    ----------
    trial : Trial
    data : Aligned

    Returns
    -------
    DataFrame
        `outcome, factor` and the columns of `compare_counts`. Lost blocks are counted among those
        whose fate is known; caps and the like over blocks with every flush counted.
    """
    import pandas as pd

    found = []
    for outcome, kind, blocks in _counted_blocks(trial, data.table):
        for factor in trial.factors.values():
            keys = [*factor.applied_to, factor.name]
            units = blocks.groupby(keys, sort=False, observed=True)["counted"]
            cells = units.agg(counted="sum", among="size").reset_index()
            rows = compare_counts(cells, factor, kind=kind, level=trial.question.level)
            if len(rows):
                found.append(rows.assign(outcome=outcome, factor=factor.name))
    return pd.concat(found, ignore_index=True) if found else pd.DataFrame()


def _counted_blocks(trial: Trial, table: pd.DataFrame) -> list[tuple[str, Kind, pd.DataFrame]]:
    """Give each outcome with one row per block: its place, its treatments and its count."""
    status = table["status"]
    known = units_known(table)
    first = table.drop_duplicates("unit").set_index("unit")
    outcomes: list[tuple[str, Kind, pd.DataFrame]] = []
    for name in LOST:
        hit = (status == name).groupby(table["unit"]).any()
        if hit.any():
            blocks = first[known.reindex(first.index).to_numpy(bool)]
            lost = hit.reindex(blocks.index).astype(float)
            outcomes.append((name, "share", blocks.assign(counted=lost)))
    for name, column in trial.harvest_columns.items():
        if not (column.whole and column.pools == "sum" and column.outcome) or name not in table:
            continue
        by_block = table.groupby("unit")[name]
        whole = by_block.apply(lambda values: bool(values.notna().all()))
        blocks = first[whole.reindex(first.index).to_numpy(bool)]
        if len(blocks):
            total = by_block.sum().reindex(blocks.index).astype(float)
            outcomes.append((name, "count", blocks.assign(counted=total)))
    return outcomes


@dataclass(frozen=True)
class _Cells:
    """One row per unit: what was counted, among how many, and the columns of the model."""

    kind: Kind
    counted: NDArray[np.float64]
    among: NDArray[np.float64]
    blocking: NDArray[np.float64]
    treated: NDArray[np.float64]

    @property
    def df(self) -> int:
        return int(len(self.counted) - self.blocking.shape[1] - self.treated.shape[1])

    def fitted(
        self,
        columns: NDArray[np.float64],
        shift: NDArray[np.float64] | None = None,
        start: NDArray[np.float64] | None = None,
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Give coefficients and expected counts.

        `shift` is added to the predictor. With a large one the search needs a `start`: from the
        counts themselves it runs away.
        """
        import numpy as np
        from statsmodels.genmod import families
        from statsmodels.genmod.generalized_linear_model import GLM
        from statsmodels.tools.sm_exceptions import PerfectSeparationWarning

        offset = np.zeros(len(self.counted)) if shift is None else shift
        with warnings.catch_warnings(), np.errstate(all="ignore"):
            # a level without a single event is no fault here: its limit is then open
            warnings.simplefilter("ignore", PerfectSeparationWarning)
            warnings.simplefilter("ignore", RuntimeWarning)
            if self.kind == "count":
                family, shown = families.Poisson(), self.counted
                offset = offset + np.log(self.among)
            else:
                family = families.Binomial()
                shown = np.column_stack([self.counted, self.among - self.counted])
            found: Any = GLM(shown, columns, family=family, offset=offset)
            found = found.fit(maxiter=100, start_params=start)
            means = np.asarray(found.fittedvalues, dtype=float)
        if self.kind == "share":
            means = self.among * means
        return np.asarray(found.params, dtype=float), means

    def score(
        self,
        columns: NDArray[np.float64],
        tested: NDArray[np.float64],
        shift: NDArray[np.float64] | None = None,
        start: NDArray[np.float64] | None = None,
    ) -> tuple[float, float]:
        """Give the F of the quasi-score test of further columns, and the dispersion.

        Pearson's residuals without them fall into what the further columns explain and the rest;
        what the rest has per degree of freedom is the dispersion.
        """
        import numpy as np

        _, means = self.fitted(columns, shift, start)
        variance = means if self.kind == "count" else means * (1 - means / self.among)
        root = np.sqrt(np.maximum(variance, 1e-12))
        residual = (self.counted - means) / root
        beside = root[:, None] * tested
        others = root[:, None] * columns
        beside = beside - others @ np.linalg.lstsq(others, beside, rcond=None)[0]
        told = float(((beside @ np.linalg.lstsq(beside, residual, rcond=None)[0]) ** 2).sum())
        spread = max((float((residual**2).sum()) - told) / self.df, 1e-9)
        if self.kind == "share" and self.df < DF_FOR_LESS_THAN_CHANCE:
            spread = max(spread, 1.0)
        return told / tested.shape[1] / spread, spread

    def only(self, rows: NDArray[np.bool_], levels: list[int]) -> _Cells | None:
        """Keep some units and some treatments; None where these cannot be told then."""
        import numpy as np

        blocking, treated = self.blocking[rows], self.treated[rows][:, levels]
        kept = [i for i in range(blocking.shape[1]) if blocking[:, i].any()]
        kept = [i for n, i in enumerate(kept)
                if np.linalg.matrix_rank(blocking[:, kept[: n + 1]]) == n + 1]  # fmt: skip
        blocking = blocking[:, kept]
        both = np.hstack([blocking, treated])
        if np.linalg.matrix_rank(both) < both.shape[1] or len(both) <= both.shape[1]:
            return None
        return _Cells(self.kind, self.counted[rows], self.among[rows], blocking, treated)


def compare_counts(
    table: pd.DataFrame, factor: Factor, *, kind: Kind, level: float = 0.95
) -> pd.DataFrame:
    """Compare counts or shares between the levels of a treatment.

    Parameters
    ----------
    table : DataFrame
        One row per unit that received the treatment: its columns, the treatment, `counted` (caps;
        lost blocks) and `among` (blocks counted on; blocks in all).
    factor : Factor
        The treatment.
    kind : {"count", "share"}
        Poisson with a logarithm, or binomial with log odds.
    level : float
        Confidence of the limits, for all levels at once.

    Returns
    -------
    DataFrame
        One row per level but the reference: `level, reference, measure` (``"ratio"`` of counts or
        ``"odds_ratio"``), `estimate, low, high, p` (of the whole treatment), `df, dispersion,
        units`. Empty where the units cannot tell.

    Notes
    -----
    Batches are fixed effects; for counts chambers, too, where enough degrees of freedom remain.
    The test is the F of the quasi-score [1]_, [2]_, with the dispersion from what the treatment
    leaves of Pearson's residuals. Batches in which nothing or everything was hit say nothing of
    the treatment and are left out. Shares with few degrees of freedom are not taken to vary less
    than chance lets them. Limits hold what the same test does not reject (with Bonferroni's share
    of the error), so they stay one-sided where a level had no event.

    References
    ----------
    .. [1] McCullagh, P. and Nelder, J. A. (1989). Generalized Linear Models, 2nd ed., ch. 9
       (from memory).
    .. [2] Boos, D. D. (1992). On generalized score tests. American Statistician 46, 327-333
       (from memory).

    Examples
    --------
    Caps of six chamber runs, one block each, in three batches:

    >>> import pandas as pd
    >>> from types import SimpleNamespace
    >>> runs = pd.DataFrame({
    ...     "batch": ["B1", "B1", "B2", "B2", "B3", "B3"], "chamber": ["T1", "T2"] * 3,
    ...     "schedule": ["usual", "sparse", "sparse", "usual", "usual", "sparse"],
    ...     "counted": [100, 120, 126, 98, 102, 121], "among": [1] * 6,
    ... })
    >>> schedule = SimpleNamespace(
    ...     name="schedule", levels=("usual", "sparse"), reference="usual",
    ...     applied_to=("batch", "chamber"))
    >>> row = compare_counts(runs, schedule, kind="count").iloc[0]
    >>> round(float(row["estimate"]), 2), int(row["df"])
    (1.22, 2)
    """
    import numpy as np
    import pandas as pd

    names = ["level", "reference", "measure", "estimate", "low", "high", "p", "df", "dispersion"]
    others = [str(name) for name in factor.levels if name != factor.reference]
    others = [name for name in others if (table[factor.name].astype(str) == name).any()]
    nothing = pd.DataFrame(columns=[*names, "units"])
    cells = _cells(table, factor, kind, others)
    if cells is None or cells.df < LEAST_DF[kind] or not cells.counted.sum() > 0:
        return nothing
    if kind == "share" and (cells.counted == cells.among).all():  # in the one batch there is
        return nothing
    p, spread = _test(cells)
    params, _ = cells.fitted(np.hstack([cells.blocking, cells.treated]))
    rows = []
    for i, name in enumerate(others):
        best = float(params[cells.blocking.shape[1] + i])
        low, high = _limits(cells, i, best, (1 - level) / len(others))
        rows.append(
            {
                "level": name,
                "reference": str(factor.reference),
                "measure": "ratio" if kind == "count" else "odds_ratio",
                "estimate": _ratio(best),
                "low": _ratio(low),
                "high": _ratio(high),
                "p": p,
                "df": cells.df,
                "dispersion": spread,
                "units": len(cells.counted),
            }
        )
    return pd.DataFrame(rows)


def _test(cells: _Cells) -> tuple[float, float]:
    """Give p of the treatment and the dispersion."""
    from scipy import stats

    found, spread = cells.score(cells.blocking, cells.treated)
    return float(stats.f.sf(found, cells.treated.shape[1], cells.df)), spread


def _ratio(value: float) -> float:
    if value <= -FARTHEST:
        return 0.0
    return math.inf if value >= FARTHEST else math.exp(value)


def _cells(table: pd.DataFrame, factor: Factor, kind: Kind, others: list[str]) -> _Cells | None:
    """Set up the columns; None where the treatment cannot be told from the blocks."""
    import numpy as np

    if "batch" in factor.applied_to and table["batch"].nunique() > 1:
        by_batch = table.groupby("batch", observed=True)
        hit, among = (by_batch[name].transform("sum") for name in ("counted", "among"))
        table = table[(hit > 0) & ((hit < among) if kind == "share" else True)]
    n = len(table)
    if n == 0:
        return None
    given = table[factor.name].astype(str)
    treated = (
        np.column_stack([(given == name).to_numpy(float) for name in others]) if others else None
    )
    if treated is None or not (given == str(factor.reference)).any():
        return None
    blocking = np.ones((n, 1))
    for column, least in (("batch", 0), ("chamber", DF_FOR_CHAMBERS)):
        if column not in factor.applied_to or table[column].nunique() < 2:
            continue
        if column == "chamber" and kind == "share":
            continue
        values = table[column].astype(str)
        dummies = [(values == name).to_numpy(float) for name in values.unique()[1:]]
        wider = np.column_stack([blocking, *dummies])
        both = np.hstack([wider, treated])
        whole = np.linalg.matrix_rank(both) == both.shape[1]
        if whole and n - both.shape[1] >= max(least, 1):
            blocking = wider
    both = np.hstack([blocking, treated])
    if np.linalg.matrix_rank(both) < both.shape[1]:
        return None
    return _Cells(
        kind,
        table["counted"].to_numpy(float),
        table["among"].to_numpy(float),
        blocking,
        treated.astype(float),
    )


def _varied(cells: _Cells, columns: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Say of each unit whether every group it is in had some hit and some not."""
    import numpy as np

    told = np.ones(len(cells.counted), dtype=bool)
    for column in columns.T:
        rows = column > 0
        hit, all_ = cells.counted[rows].sum(), cells.among[rows].sum()
        if hit == 0 or (cells.kind == "share" and hit == all_):
            told &= ~rows
    return told


def _limits(cells: _Cells, at: int, best: float, error: float) -> tuple[float, float]:
    """Give the ends of the values that the test does not reject, as logarithms."""
    import numpy as np
    from scipy import stats
    from scipy.optimize import brentq

    # another level without a single event tells nothing of this one
    others = [j for j in range(cells.treated.shape[1]) if j != at]
    rows = _varied(cells, cells.treated[:, others])
    others = [j for j in others if cells.treated[rows, j].any()]
    some = cells.only(rows, [*others, at])
    if some is None:
        return -FARTHEST, FARTHEST
    own, columns = some.treated[:, -1:], np.hstack([some.blocking, some.treated[:, :-1]])
    most = float(stats.f.isf(error, 1, some.df))
    begin, _ = some.fitted(columns)

    def beyond(value: float) -> float:
        return some.score(columns, own, value * own[:, 0], begin)[0] - most

    ends = []
    middle = float(np.clip(best, -FARTHEST / 2, FARTHEST / 2))
    for side in (-1.0, 1.0):
        step, end = 0.5, side * FARTHEST
        near = middle
        while abs(near) < FARTHEST:
            far = float(np.clip(near + side * step, -FARTHEST, FARTHEST))
            if beyond(far) > 0:
                start = near if beyond(near) <= 0 else middle
                end = float(brentq(beyond, start, far, xtol=1e-6)) if beyond(start) <= 0 else near
                break
            if abs(far) >= FARTHEST:
                break
            near, step = far, 2 * step
        ends.append(end)
    return ends[0], ends[1]
