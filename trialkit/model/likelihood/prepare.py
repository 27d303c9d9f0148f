"""From a table to cross-products: bad rows set aside and counted, bad models refused."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from trialkit.any_tables import as_pandas
from trialkit.arrays import Floats
from trialkit.errors import Finding, ModelError
from trialkit.model.columns.formula import needed_columns, read_columns
from trialkit.model.columns.matrices import Design, build_design
from trialkit.model.columns.terms import Grouping, RandomTerm, check_groupings, group, parse_random
from trialkit.model.likelihood.absorb import LargeDesign, is_large, make_large
from trialkit.model.likelihood.reduced import Reduced, reduce_design
from trialkit.model.likelihood.strata import Responses
from trialkit.model.likelihood.threads import one_blas_thread
from trialkit.wording import finding

#: Sizes between which the square of a square is a number too.
LARGEST, SMALLEST = 1e75, 1e-75


@dataclass(frozen=True)
class Spec:
    """What a fit was asked for.

    Parameters
    ----------
    response, fixed : str
    random : tuple of str
    variances : {"free", "nonnegative"}
    residual_by : str or None
    level : float
    """

    response: str
    fixed: str
    random: tuple[str, ...] = ()
    variances: str = "free"
    residual_by: str | None = None
    level: float = 0.95


@dataclass(frozen=True, eq=False)
class Prepared:
    """A clean table with its columns and cross-products.

    Parameters
    ----------
    spec : Spec
    table : DataFrame
        The rows used.
    y : ndarray, shape (n,)
    X : ndarray, shape (n, p)
        Fixed columns that are not aliased.
    design : Design
    groupings : tuple of Grouping
    small : Reduced or None
        Cross-products for the dense engine.
    large : LargeDesign or None
        Cross-products where the effects are too many for it.
    residual_groups : Grouping or None
        Groups of rows with their own residual variance.
    findings : tuple of Finding
    memory : dict
        What was worked out from these columns, for whoever asks again; shared with fits of
        other responses (`trialkit.model.inference.memory`).
    """

    spec: Spec
    table: pd.DataFrame = field(repr=False)
    y: Floats = field(repr=False)
    X: Floats = field(repr=False)
    design: Design = field(repr=False)
    groupings: tuple[Grouping, ...] = field(repr=False)
    small: Reduced | None = field(repr=False)
    large: LargeDesign | None = field(default=None, repr=False)
    residual_groups: Grouping | None = field(default=None, repr=False)
    findings: tuple[Finding, ...] = ()
    memory: dict[Any, Any] = field(default_factory=dict, repr=False)

    @property
    def reduced(self) -> Reduced:
        """Give the cross-products of the dense engine."""
        if self.small is None:
            raise ModelError(
                "this needs the dense engine, and the model has too many effects for it: leave out "
                "the term with most levels, or summarise the rows first"
            )
        return self.small

    def __getstate__(self) -> dict[str, Any]:
        """Leave what can be worked out again out of a pickle."""
        return {**self.__dict__, "memory": {}}

    @property
    def X_sum(self) -> Floats:  # noqa: N802
        """Give all fixed columns in sum-to-zero coding, shape (n, p_all)."""
        if "X_sum" not in self.memory:
            self.memory["X_sum"] = self.design.sum_rows(self.table, self.memory.get("codes"))
        return self.memory["X_sum"]  # type: ignore[no-any-return]


def prepare(table: pd.DataFrame, spec: Spec) -> Prepared:
    """Check a table against a model and form its cross-products.

    Raises
    ------
    ModelError
        Names the column and the remedy.
    """
    check_options(spec)
    clean, terms, findings = clean_rows(table, spec)
    y = np.asarray(clean[spec.response], dtype=float)
    design, X_all, codes, more = build_design(clean, spec.fixed)
    X = X_all[:, design.kept] if not design.kept.all() else X_all
    n, p = X.shape
    if p >= n:
        raise ModelError(
            f"{n} rows cannot hold {p} fixed coefficients ('{spec.fixed}'): simplify the fixed "
            "part or add rows"
        )
    known: dict[str, Any] = {}
    groupings = tuple(group(clean, term, known) for term in terms)
    residual = None
    if spec.residual_by is not None:
        residual = group(clean, RandomTerm(spec.residual_by, (spec.residual_by,)))
        if residual.q < 2:
            raise ModelError(
                f"residual_by='{spec.residual_by}': the column has one level; leave it out"
            )
    check_groupings(groupings, n, separate_residuals=residual is not None)
    small, large = None, None
    if residual is None and is_large(groupings, p):
        large = make_large(X, y, groupings)
    else:
        # columns of a matrix with many rows count too, but less than a square matrix
        with one_blas_thread(max(p + sum(g.q for g in groupings), n // 50)):
            small = reduce_design(X, groupings, residual_groups=residual)
    told = (*findings, *more)
    memory = {"codes": codes}
    return Prepared(
        spec, clean, y, X, design, groupings, small, large, residual, told, memory=memory
    )


def check_options(spec: Spec) -> None:
    """Refuse option values that do not exist."""
    if spec.variances not in ("free", "nonnegative"):
        raise ModelError(f"variances='{spec.variances}': choose 'free' or 'nonnegative'")
    if not 0 < spec.level < 1:
        raise ModelError(f"level={spec.level}: give a number between 0 and 1, such as 0.95")


def clean_rows(
    table: pd.DataFrame, spec: Spec
) -> tuple[pd.DataFrame, tuple[RandomTerm, ...], list[Finding]]:
    """Set aside rows with a missing value in any column used, and count them."""
    given = as_pandas(table)
    if given is None:
        kind = type(table).__name__
        raise ModelError(f"the table must be one of pandas, polars or pyarrow, not {kind}")
    table = given
    read_columns(table, [spec.response], role="response")
    fixed = needed_columns(spec.fixed)
    read_columns(table, fixed, role=f"fixed='{spec.fixed}'")
    terms = parse_random(spec.random, [str(c) for c in table.columns])
    extra = [spec.residual_by] if spec.residual_by is not None else []
    read_columns(table, extra, role="residual_by")
    if spec.response in fixed:
        raise ModelError(f"'{spec.response}' is both the response and in the fixed part")
    random = [c for t in terms for c in (*t.columns, *([t.slope] if t.slope else []))]
    used = list(dict.fromkeys([spec.response, *fixed, *random, *extra]))
    names = table.columns.tolist()
    twice = [c for c in used if names.count(c) > 1]
    if twice:
        raise ModelError(
            f"the table has several columns named {', '.join(map(repr, twice))}: rename them"
        )
    # by place, which is sooner than by name
    clean = table.take([names.index(c) for c in used], axis=1)
    values = clean[spec.response]
    if pd.api.types.is_bool_dtype(values) or not pd.api.types.is_numeric_dtype(values):
        raise ModelError(
            f"response '{spec.response}' is not numeric ({values.dtype}): convert it to numbers, "
            "with missing ones empty"
        )
    findings = []
    missing = clean.isna()
    if missing.to_numpy().any():
        bad = missing.any(axis=1)
        counts = [f"{c} {int(k)}" for c, k in missing.sum().items() if k]
        clean = clean.loc[~bad]
        findings.append(
            finding(
                "rows_set_aside",
                "note",
                missing=int(bad.sum()),
                rows=len(table),
                counts=counts,
            )
        )
    if not len(clean):
        raise ModelError(f"no row has a value in every column used ({', '.join(map(str, used))})")
    numbers = {c: clean[c].to_numpy(float) for c, kind in clean.dtypes.items() if _is_float(kind)}
    _refuse_sizes(clean, numbers)
    for column, sizes in numbers.items():
        if np.isinf(sizes).any():
            where = clean.index[np.isinf(sizes)][:5].tolist()
            raise ModelError(
                f"column '{column}' has infinite values (rows {', '.join(map(str, where))}): "
                "correct them or empty the cells"
            )
    return clean, terms, findings


def _is_float(kind: Any) -> bool:
    return bool(pd.api.types.is_float_dtype(kind))


def _refuse_sizes(clean: pd.DataFrame, numbers: dict[Any, Floats]) -> None:
    """Refuse numbers whose squares a computer cannot hold."""
    for column, sizes in numbers.items():
        size = np.abs(sizes)
        size[~np.isfinite(size)] = 0.0
        at = int(np.argmax(size))
        if size[at] > LARGEST or 0 < size[at] < SMALLEST:
            many = "large" if size[at] > LARGEST else "small"
            raise ModelError(
                f"column '{column}' holds {clean[column].iloc[at]:g} (row {clean.index[at]}), too "
                f"{many} a number to work with: correct it, or give the column in another unit"
            )


def check_response(responses: Responses, spec: Spec) -> None:
    """Refuse a response that leaves nothing to explain."""
    scale, spread = float(responses.scale[0]), float(responses.spread[0])
    if spread == 0:
        raise ModelError(
            f"response '{spec.response}' is the same on every row: there is nothing to explain"
        )
    if scale <= 1e-10 * spread:
        raise ModelError(
            f"'{spec.fixed}' explains '{spec.response}' exactly: no variation is left to test "
            "against; check that the response is measured, not computed from the factors"
        )
