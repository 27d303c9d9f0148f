"""Functions of columns in a fixed formula, such as ``log(days + 1)`` or ``poly(days, 2)``.

A formula part that is no plain column is read as an expression of its own: columns, numbers,
arithmetic and the functions listed here, nothing else. So every fault can be told with the
column, the row and what to do. Functions that learn from the data (`center`, `scale`, `poly`,
the splines) keep what they learnt, and give the same columns for new rows.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd

from trialkit.arrays import Floats
from trialkit.errors import ModelError

#: Functions of each value alone.
SIMPLE: dict[str, Callable[..., Any]] = {
    "log": np.log,
    "log2": np.log2,
    "log10": np.log10,
    "log1p": np.log1p,
    "exp": np.exp,
    "exp2": np.exp2,
    "expm1": np.expm1,
    "sqrt": np.sqrt,
    "cbrt": np.cbrt,
    "square": np.square,
    "abs": np.abs,
    "sign": np.sign,
    "sin": np.sin,
    "cos": np.cos,
    "tan": np.tan,
    "tanh": np.tanh,
    "floor": np.floor,
    "ceil": np.ceil,
    "round": np.round,
    "minimum": np.minimum,
    "maximum": np.maximum,
    "power": np.power,
    "where": np.where,
    "I": np.asarray,
}
#: Functions that learn from the data: centring, scaling, polynomials, splines.
LEARNING = ("center", "scale", "standardize", "poly", "bs", "cs", "cr", "cc")
#: What to do where a function has no value.
_ABOVE_ZERO = (
    "a logarithm needs values above zero; add a constant inside that makes them so, "
    "or set those rows aside first"
)
_TOO_LARGE = "the result is too large a number; give the column in a larger unit"
REMEDIES = {
    **dict.fromkeys(("log", "log2", "log10", "log1p"), _ABOVE_ZERO),
    **dict.fromkeys(("exp", "exp2", "expm1"), _TOO_LARGE),
    "sqrt": "a root needs values of zero or more; correct them, or set those rows aside first",
}
OTHER_REMEDY = "correct those values, or set the rows aside first"
_OPERATORS: dict[type, Callable[..., Any]] = {
    ast.Add: np.add,
    ast.Sub: np.subtract,
    ast.Mult: np.multiply,
    ast.Div: np.true_divide,
    ast.Pow: np.power,
    ast.Mod: np.mod,
    ast.FloorDiv: np.floor_divide,
    ast.USub: np.negative,
    ast.UAdd: np.positive,
    ast.Lt: np.less,
    ast.LtE: np.less_equal,
    ast.Gt: np.greater,
    ast.GtE: np.greater_equal,
    ast.Eq: np.equal,
    ast.NotEq: np.not_equal,
}
_QUOTED = re.compile(r"`([^`]*)`")


@lru_cache(maxsize=256)
def parse_expression(text: str) -> tuple[ast.expr, dict[str, str]]:
    """Read an expression; give its tree and the column behind each name in it.

    Raises
    ------
    ModelError
        The expression cannot be read, or holds what is not allowed.

    Examples
    --------
    >>> parse_expression("log(`days in tent` + 1)")[1]
    {'quoted_0': 'days in tent'}
    """
    quoted: list[str] = []

    def stand_in(match: re.Match[str]) -> str:
        quoted.append(match.group(1))
        return f"quoted_{len(quoted) - 1}"

    plain = _QUOTED.sub(stand_in, text)
    try:
        tree = ast.parse(plain.strip(), mode="eval").body
    except (SyntaxError, ValueError) as fault:
        raise ModelError(
            f"'{text}' in the fixed part cannot be read: check its brackets and commas"
        ) from fault
    columns: dict[str, str] = {}
    _check(tree, text, columns)
    for i, name in enumerate(quoted):
        columns[f"quoted_{i}"] = name
    return tree, columns


def _check(node: ast.AST, text: str, columns: dict[str, str]) -> None:
    """Refuse what is not allowed in an expression, and collect its columns."""
    if isinstance(node, ast.Call):
        name = _function(node, text)
        named = {word.arg for word in node.keywords}
        if name in SIMPLE and named:
            raise ModelError(f"{name}() in '{text}' takes no named options")
        if not node.args:
            raise ModelError(f"{name}() in '{text}' needs a column, as in {name}(days)")
        for part in (*node.args, *(word.value for word in node.keywords)):
            _check(part, text, columns)
    elif isinstance(node, ast.Name):
        columns.setdefault(node.id, node.id)
    elif isinstance(node, (ast.BinOp, ast.UnaryOp, ast.Compare, ast.List, ast.Tuple)):
        operators = getattr(node, "ops", [getattr(node, "op", None)])
        if any(op is not None and type(op) not in _OPERATORS for op in operators):
            raise _not_allowed(text)
        for child in ast.iter_child_nodes(node):
            if isinstance(child, ast.expr):
                _check(child, text, columns)
    elif not (isinstance(node, ast.Constant) and isinstance(node.value, (int, float, str))):
        raise _not_allowed(text)


def _not_allowed(text: str) -> ModelError:
    return ModelError(
        f"'{text}' in the fixed part holds more than columns, numbers, arithmetic and known "
        "functions: make it a column of the table first"
    )


def _function(node: ast.Call, text: str) -> str:
    """Give the name of a call's function, with or without ``np.`` before it."""
    target = node.func
    if isinstance(target, ast.Attribute) and isinstance(target.value, ast.Name):
        if target.value.id not in ("np", "numpy"):
            raise _not_allowed(text)
        name, shown = target.attr, f"{target.value.id}.{target.attr}"
        known = name in SIMPLE and name != "I"
    elif isinstance(target, ast.Name):
        name = shown = target.id
        known = name in SIMPLE or name in LEARNING
    else:
        raise _not_allowed(text)
    if name == "C":
        raise ModelError(f"'{text}': C() takes one column and stands alone, as in C(days)")
    if not known:
        raise ModelError(
            f"'{text}' in the fixed part: there is no function {shown}; use one of "
            f"{', '.join(sorted({*SIMPLE, *LEARNING}))}, or make a column of it first"
        )
    return name


def columns_of(text: str) -> list[str]:
    """Give the table columns that an expression reads, sorted.

    Examples
    --------
    >>> columns_of("sqrt(days) * temp_c")
    ['days', 'temp_c']
    """
    return sorted(set(parse_expression(text)[1].values()))


@dataclass(frozen=True)
class Expression:
    """An expression that remembers what its functions learnt from the data.

    Parameters
    ----------
    text : str
    learnt : dict
        Call, as written → what it learnt. Filled at the first evaluation.
    """

    text: str
    learnt: dict[str, dict[str, Any]] = field(default_factory=dict)

    def numbers(self, table: pd.DataFrame) -> Floats:
        """Give the columns of the expression, shape (rows, columns).

        Raises
        ------
        ModelError
            Names the column, the row and the remedy.
        """
        tree, columns = parse_expression(self.text)
        with np.errstate(all="ignore"):
            values = np.asarray(_Evaluation(self, table, columns).value(tree), dtype=float)
        if values.ndim == 0 or len(values) != len(table):
            raise ModelError(f"'{self.text}' in the fixed part does not vary: leave it out")
        return values.reshape(len(table), -1)


@dataclass(frozen=True)
class _Evaluation:
    """One evaluation of an expression on the rows of a table."""

    expression: Expression
    table: pd.DataFrame
    columns: dict[str, str]

    def value(self, node: ast.expr) -> Any:
        if isinstance(node, ast.Constant):
            return node.value
        if isinstance(node, ast.Name):
            return self._column(node)
        if isinstance(node, (ast.List, ast.Tuple)):
            return [self.value(part) for part in node.elts]
        if isinstance(node, ast.UnaryOp):
            return _OPERATORS[type(node.op)](self.value(node.operand))
        if isinstance(node, ast.Compare):
            sides = [self.value(part) for part in (node.left, *node.comparators)]
            parts = [
                _OPERATORS[type(op)](a, b)
                for op, a, b in zip(node.ops, sides[:-1], sides[1:], strict=True)
            ]
            return np.logical_and.reduce(parts)
        if isinstance(node, ast.BinOp):
            inner = [self.value(part) for part in (node.left, node.right)]
            out = self._apply(node, _OPERATORS[type(node.op)], inner, {})
            return self._finite(node, out, OTHER_REMEDY)
        assert isinstance(node, ast.Call)
        return self._call(node)

    def _column(self, node: ast.Name) -> Floats:
        name = self.columns[node.id]
        values = self.table[name]
        if values.dtype == object:  # a grid of combinations
            values = values.infer_objects()
        if not pd.api.types.is_numeric_dtype(values):
            raise ModelError(
                f"'{self.expression.text}' in the fixed part: column '{name}' holds text, not "
                f"numbers; use {name} itself, which compares its levels"
            )
        return np.asarray(values, dtype=float)

    def _call(self, node: ast.Call) -> Any:
        name = _function(node, self.expression.text)
        inner = [self.value(part) for part in node.args]
        named = {str(word.arg): self.value(word.value) for word in node.keywords}
        function = SIMPLE.get(name)
        if function is None:
            function = _learning(name, self.expression.learnt.setdefault(ast.unparse(node), {}))
        out = self._apply(node, function, inner, named)
        return self._finite(node, out, REMEDIES.get(name, OTHER_REMEDY))

    def _apply(
        self, node: ast.expr, function: Callable[..., Any], inner: list[Any], named: dict[str, Any]
    ) -> Any:
        try:
            return function(*inner, **named)
        except ModelError:
            raise
        except Exception as fault:
            raise ModelError(
                f"'{self._shown(node)}' in the fixed part cannot be worked out: check its options "
                "(their names, how many, and whether the column has enough different values)"
            ) from fault

    def _shown(self, node: ast.AST) -> str:
        text = ast.unparse(node)
        for name, column in self.columns.items():
            if name != column:
                text = text.replace(name, f"`{column}`")
        return text

    def _finite(self, node: ast.expr, out: Any, remedy: str) -> Any:
        """Refuse rows without a finite value, naming the first few with what they hold."""
        values = np.asarray(out, dtype=float)
        if values.ndim == 0 or np.isfinite(values).all():
            return out
        bad = np.flatnonzero(~np.isfinite(values.reshape(len(values), -1)).all(axis=1))
        inside = [part.id for part in ast.walk(node) if isinstance(part, ast.Name)]
        used = list(dict.fromkeys(self.columns[n] for n in inside if n in self.columns))
        rows = []
        for i in bad[:3]:
            held = ", ".join(f"{name} = {self.table[name].iloc[i]:g}" for name in used)
            rows.append(f"row {self.table.index[i]} ({held})")
        more = f" and {len(bad) - 3} more" if len(bad) > 3 else ""
        raise ModelError(
            f"'{self._shown(node)}' in the fixed part is not a finite number in "
            f"{', '.join(rows)}{more}: {remedy}"
        )


def _learning(name: str, learnt: dict[str, Any]) -> Callable[..., Any]:
    """Give a function of formulaic's that keeps what it learns in `learnt`."""
    from formulaic.transforms import TRANSFORMS

    def made(*inner: Any, **named: Any) -> Floats:
        if name == "poly" and not learnt:
            most = len(np.unique(inner[0])) - 1
            degree = inner[1] if len(inner) > 1 else named.get("degree", 1)
            if not 1 <= degree <= most:
                raise ModelError(
                    f"poly() of degree {degree:g} in the fixed part: its column has {most + 1} "
                    f"different values, which carry degree 1 to {most}"
                )
        got = TRANSFORMS[name](*inner, _state=learnt, **named)
        if not isinstance(got, dict):
            got = getattr(got, "__wrapped__", got)
        if not isinstance(got, dict):
            return np.asarray(got, dtype=float)
        return np.column_stack([np.asarray(part, dtype=float) for part in got.values()])

    return made
