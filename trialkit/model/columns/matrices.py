"""A table and a fixed formula become a design: columns, codes, hypotheses.

Symbols: ``X`` fixed columns (treatment coding, the first level is the
reference), ``L`` rows of a hypothesis ``L beta = 0``, ``N`` null space of ``X``.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from trialkit.arrays import Codes, Floats
from trialkit.errors import Finding, ModelError
from trialkit.model.columns.formula import AS_FACTOR, expression_columns, factor_levels, parse_fixed
from trialkit.model.columns.functions import Expression
from trialkit.model.columns.rank import full_rank
from trialkit.short_repr import short_repr
from trialkit.wording import finding

INTERCEPT = "intercept"
MOST_COMBINATIONS = 4_000  # of levels, from which a sample stands for all


@dataclass(frozen=True)
class Part:
    """One factor of a fixed term: a categorical column or numeric columns.

    Parameters
    ----------
    name : str
        As written in the formula.
    column : str
        Column of the table, or the expression itself for a computed one.
    levels : tuple or None
        Levels of a categorical column in order; None for numbers.
    spec : Expression or None
        How a computed expression is evaluated again on new rows.
    width : int
        Number of numeric columns.
    """

    name: str
    column: str
    levels: tuple[Hashable, ...] | None
    spec: Expression | None = None
    width: int = 1

    def numbers(self, table: pd.DataFrame) -> Floats:
        """Give the numeric columns for the rows of a table, shape (rows, width)."""
        if self.spec is None:
            return np.asarray(table[self.column], dtype=float).reshape(len(table), 1)
        return self.spec.numbers(table)

    def codes(self, table: pd.DataFrame) -> Codes:
        """Give the position of each row's level; an unknown level is refused."""
        assert self.levels is not None
        values = table[self.column]
        codes = np.asarray(pd.Index(list(self.levels)).get_indexer(pd.Index(values)))
        if (codes < 0).any():
            unknown = sorted({str(v) for v in values[codes < 0]})
            raise ModelError(
                f"column '{self.column}' has no level {', '.join(unknown)}: "
                f"use one of {', '.join(map(str, self.levels))}"
            )
        return codes.astype(np.intp)


@dataclass(frozen=True, eq=False)
class Design:
    """The fixed part of a model, able to give its rows for any combination.

    Parameters
    ----------
    formula : str
        As given.
    terms : tuple of tuple of str
        Fixed terms as tuples of part names; the intercept is the empty tuple.
    parts : dict
        Part name to `Part`.
    names : tuple of str
        Column names of ``X`` in treatment coding, aliased ones included.
    spans : dict
        Term name to the slice of its columns.
    kept : ndarray of bool, shape (p_all,)
        False for a column that earlier columns determine.
    null : ndarray, shape (p_all, p_all − rank)
        Basis of the null space of ``X``.
    typical : dict
        Numeric column to its mean in the data.
    """

    formula: str
    terms: tuple[tuple[str, ...], ...]
    parts: dict[str, Part]
    names: tuple[str, ...] = ()
    spans: dict[str, slice] = field(default_factory=dict)
    kept: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, bool))
    null: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    typical: dict[str, float] = field(default_factory=dict)

    __repr__ = short_repr

    @property
    def levels(self) -> dict[str, tuple[Hashable, ...]]:
        """Give the levels of each categorical column, in order."""
        return {p.column: p.levels for p in self.parts.values() if p.levels is not None}

    @property
    def covariates(self) -> tuple[str, ...]:
        """Give the numeric columns the fixed part reads."""
        return tuple(self.typical)

    @property
    def term_names(self) -> tuple[str, ...]:
        """Give the names of the fixed terms without the intercept."""
        return tuple(":".join(term) for term in self.terms if term)

    @cached_property
    def to_sum(self) -> Floats:
        """Give the map from treatment to sum-to-zero coefficients, shape (p_all, p_all)."""
        codes, rows = self._spread_codes()
        rng = np.random.default_rng(1)  # any numbers in general position will do
        numbers = {
            name: rng.uniform(1.0, 2.0, (rows, part.width))
            for name, part in self.parts.items()
            if part.levels is None
        }
        grid = pd.DataFrame(index=range(rows))
        sums, plain = (
            np.hstack([block for _, block, _ in self._blocks(grid, coding, codes, numbers)])
            for coding in ("sum", "treatment")
        )
        change = np.linalg.pinv(sums) @ plain
        change[np.abs(change) < 1e-12] = 0.0
        return np.asarray(change)

    @cached_property
    def from_sum(self) -> Floats:
        """Give the map from sum-to-zero to treatment coefficients, shape (p_all, p_all)."""
        return np.asarray(np.linalg.inv(self.to_sum))

    def _spread_codes(self) -> tuple[dict[str, Codes], int]:
        """Give levels of rows that tell all columns apart, whatever numbers stand beside them.

        Every combination of levels (or a sample, where they are many), each as often as numeric
        terms need. Gives the position of the level by factor, and the number of rows.
        """
        levels = self.levels
        sizes = [len(own) for own in levels.values()]
        if math.prod(sizes) > MOST_COMBINATIONS:
            rng = np.random.default_rng(2)
            count = max(MOST_COMBINATIONS, 20 * len(self.names))
            at = np.array([rng.integers(size, size=count) for size in sizes])
        else:
            at = np.indices(sizes).reshape(len(sizes), math.prod(sizes))
        if self.typical:
            widths = [
                math.prod(self.parts[n].width for n in term if self.parts[n].levels is None)
                for term in self.terms
            ]
            at = at.repeat(4 + 3 * sum(widths), axis=1)
        columns = dict(zip(levels, at.astype(np.intp), strict=True))
        codes = {n: columns[p.column] for n, p in self.parts.items() if p.levels is not None}
        return codes, at.shape[1]

    def sum_rows(self, grid: pd.DataFrame, codes: dict[str, Codes] | None = None) -> Floats:
        """Give the sum-to-zero-coded rows of ``X`` for a table of combinations.

        Parameters
        ----------
        grid : DataFrame
        codes : dict, optional
            What `codes` gives for it, where that is known.
        """
        return np.hstack([block for _, block, _ in self._blocks(grid, "sum", codes)])

    def rows(self, grid: pd.DataFrame) -> Floats:
        """Give the treatment-coded rows of ``X`` for a table of combinations.

        Parameters
        ----------
        grid : DataFrame
            One column per factor and covariate of the fixed part.

        Returns
        -------
        ndarray, shape (rows, p_all)
        """
        return np.hstack([block for _, block, _ in self._blocks(grid, "treatment")])

    def grid_rows(self, names: Sequence[str]) -> Floats:
        """Give the rows of ``X`` for every combination of levels, covariates at their means.

        Parameters
        ----------
        names : sequence of str
            All categorical columns; the last changes fastest.

        Returns
        -------
        ndarray, shape (combinations, p_all)
        """
        levels = self.levels
        sizes = [len(levels[name]) for name in names]
        at = dict(zip(names, np.indices(sizes).reshape(len(sizes), -1), strict=True))
        codes = {n: at[p.column] for n, p in self.parts.items() if p.levels is not None}
        grid = pd.DataFrame(index=range(math.prod(sizes)))
        if len(codes) < len(self.parts):  # expressions read columns, of levels too
            columns = {name: np.array(levels[name], dtype=object)[at[name]] for name in names}
            numbers = {n: v for n, v in self.typical.items() if n not in columns}
            grid = pd.DataFrame(columns).assign(**numbers)
        return np.hstack([block for _, block, _ in self._blocks(grid, "treatment", codes)])

    def estimable(self, L: Floats) -> NDArray[np.bool_]:
        """Say which rows of ``L`` the data can estimate (orthogonal to the null space)."""
        L = np.atleast_2d(np.asarray(L, dtype=float))
        if self.null.shape[1] == 0:
            return np.ones(len(L), dtype=bool)
        size = np.maximum(np.linalg.norm(L, axis=1), 1e-300)
        answer: NDArray[np.bool_] = np.abs(L @ self.null).max(axis=1) < 1e-8 * size
        return answer

    def hypothesis(self, term: str) -> Floats:
        """Give the rows of the marginal hypothesis of a term (sum-to-zero coding).

        The hypothesis of a main effect compares unweighted means over the
        levels of the other factors; numeric columns are taken at zero in the
        interactions they enter.

        Returns
        -------
        ndarray, shape (df of the term, p_all)
        """
        if term not in self.spans or term == INTERCEPT:
            raise ModelError(
                f"'{term}' is not a fixed term of '{self.formula}': "
                f"choose from {', '.join(self.term_names)}"
            )
        return self.to_sum[self.spans[term]]

    def codes(self, grid: pd.DataFrame) -> dict[str, Codes]:
        """Give the position of each row's level for every factor."""
        return {n: part.codes(grid) for n, part in self.parts.items() if part.levels is not None}

    def _blocks(
        self,
        grid: pd.DataFrame,
        coding: str,
        codes: dict[str, Codes] | None = None,
        numbers: dict[str, Floats] | None = None,
    ) -> list[tuple[str, Floats, list[str]]]:
        codes = self.codes(grid) if codes is None else codes
        numbers = {} if numbers is None else numbers
        present = {frozenset(term) for term in self.terms}
        out = []
        for term in self.terms:
            block, names = np.ones((len(grid), 1)), [""]
            for name in term:
                part = self.parts[name]
                if part.levels is None:
                    if name not in numbers:
                        numbers[name] = part.numbers(grid)
                    add = numbers[name]
                    labels = (
                        [name] if add.shape[1] == 1 else [f"{name}[{j}]" for j in range(part.width)]
                    )
                else:
                    reduced = frozenset(term) - {name} in present
                    add, labels = _coded(part, codes[name], coding if reduced else "full")
                # the first factor's levels change fastest
                block = (add[:, :, None] * block[:, None, :]).reshape(len(grid), -1)
                names = [f"{old}:{new}" if old else new for new in labels for old in names]
            out.append((":".join(term) or INTERCEPT, block, names if term else [INTERCEPT]))
        return out


def _coded(part: Part, codes: Codes, coding: str) -> tuple[Floats, list[str]]:
    levels = part.levels
    assert levels is not None
    full = np.zeros((len(codes), len(levels)))
    full[np.arange(len(codes)), codes] = 1.0
    labels = [f"{part.column}[{level}]" for level in levels]
    if coding == "full":
        return full, labels
    if coding == "treatment":
        return full[:, 1:], labels[1:]
    return full[:, :-1] - full[:, -1:], labels[:-1]


def build_design(
    table: pd.DataFrame, formula: str
) -> tuple[Design, Floats, dict[str, Codes], list[Finding]]:
    """Build the fixed columns of a clean table.

    Parameters
    ----------
    table : DataFrame
        No missing values in the columns used.
    formula : str

    Returns
    -------
    design : Design
    X : ndarray, shape (n, p_all)
        Treatment-coded columns, aliased ones included.
    codes : dict
        Position of each row's level for every factor, as `Design.codes` gives it.
    findings : list of Finding
        Aliased columns and empty combinations.
    """
    parsed = parse_fixed(formula)
    parts: dict[str, Part] = {}
    typical: dict[str, float] = {}
    codes: dict[str, Codes] = {}
    for name, kind in itertools.chain.from_iterable(parsed):
        if name not in parts:
            parts[name] = _make_part(table, name, kind, typical, codes)
    _refuse_twice(formula, parts)
    terms = tuple(tuple(name for name, _ in term) for term in parsed)
    bare = Design(formula, terms, parts, typical=typical)
    blocks = bare._blocks(table, "treatment", codes)
    names: list[str] = []
    spans: dict[str, slice] = {}
    for name, _, labels in blocks:
        spans[name] = slice(len(names), len(names) + len(labels))
        names += labels
    X = np.hstack([block for _, block, _ in blocks]) if blocks else np.zeros((len(table), 0))
    kept, null = full_rank(X)
    design = Design(formula, terms, parts, tuple(names), spans, kept, null, typical)
    findings = []
    if not kept.all():
        lost = [n for n, k in zip(names, kept, strict=True) if not k]
        findings.append(finding("aliased", "caution", lost=lost))
    return design, X, codes, findings


def _refuse_twice(formula: str, parts: dict[str, Part]) -> None:
    """Refuse a factor that is written in two ways, such as ``light`` and ``C(light)``."""
    seen: dict[str, str] = {}
    for part in parts.values():
        if part.levels is None:
            continue
        if part.column in seen:
            raise ModelError(
                f"fixed='{formula}': '{seen[part.column]}' and '{part.name}' are the same factor: "
                "leave one out"
            )
        seen[part.column] = part.name


def _make_part(
    table: pd.DataFrame,
    name: str,
    kind: str,
    typical: dict[str, float],
    codes: dict[str, Codes],
) -> Part:
    column = name
    match = AS_FACTOR.match(name) if kind == "python" else None
    if match:
        column = match.group(1)
    if kind == "python" and not match:
        for source in expression_columns(name):
            if source in table and pd.api.types.is_numeric_dtype(table[source]):
                typical[source] = float(table[source].mean())
        made = Expression(name)
        return Part(name, name, None, made, made.numbers(table).shape[1])
    values = table[column]
    numeric = pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values)
    if numeric and not match:
        typical[column] = float(values.mean())
        return Part(name, column, None)
    levels, codes[name] = factor_levels(values)
    if len(levels) < 2:
        raise ModelError(
            f"factor '{column}' has one level ({levels[0]!s}): nothing to compare; "
            "take it out of the fixed part"
        )
    return Part(name, column, levels)


def estimable_part(design: Design, L: Floats) -> Floats:
    """Give the combinations of the rows of ``L`` that the data can estimate."""
    if design.null.shape[1] == 0 or design.estimable(L).all():
        return L
    image = L @ design.null
    u, s, _ = np.linalg.svd(image, full_matrices=True)
    rank = int((s > 1e-8 * max(1.0, float(np.abs(L).max()))).sum())
    part: Floats = u[:, rank:].T @ L
    return part
