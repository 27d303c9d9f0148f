"""The parts a page is made of, as plain data; the template decides how they look."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

from markupsafe import Markup

from trialkit.columns import head
from trialkit.errors import Finding
from trialkit.wording import Wording

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class Masthead:
    """What stands at the head of a page that is about no single trial."""

    title: str
    species: str = ""
    invented: bool = False


@dataclass(frozen=True)
class Words:
    """A paragraph."""

    text: str
    quiet: bool = False
    kind: Literal["words"] = "words"


@dataclass(frozen=True)
class Heading:
    """A short heading inside a section."""

    text: str
    kind: Literal["heading"] = "heading"


@dataclass(frozen=True)
class Points:
    """A list of short texts."""

    items: tuple[str, ...]
    kind: Literal["points"] = "points"


@dataclass(frozen=True)
class Commands:
    """Lines to type."""

    lines: tuple[str, ...]
    kind: Literal["commands"] = "commands"


@dataclass(frozen=True)
class Pairs:
    """Terms with what they mean, or names with values."""

    pairs: tuple[tuple[str, str], ...]
    code: bool = False
    kind: Literal["pairs"] = "pairs"


@dataclass(frozen=True)
class Picture:
    """A figure: one sentence above it says what it shows, one note below what its marks mean.

    The drawing carries its own description; `narrow` is shown in its place on a phone, and what
    `slides` is too wide for one and is moved by hand.
    """

    svg: Markup
    caption: str
    note: str = ""
    narrow: Markup | None = None
    slides: bool = True
    kind: Literal["picture"] = "picture"


@dataclass(frozen=True)
class Grid:
    """Small figures side by side, as many as the page has room for."""

    pictures: tuple[Picture, ...]
    kind: Literal["grid"] = "grid"


@dataclass(frozen=True)
class Found:
    """One doubtful thing, with how much it matters."""

    severity: str
    label: str
    message: str
    remedy: str
    kind: Literal["found"] = "found"


@dataclass(frozen=True)
class Table:
    """A table ready to be shown: every cell is text."""

    caption: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: tuple[bool, ...]
    notes: tuple[str, ...] = ()
    row_heads: int = 1
    kind: Literal["table"] = "table"


@dataclass(frozen=True)
class Fold:
    """Parts behind a line that opens them."""

    title: str
    parts: tuple[Any, ...]
    kind: Literal["fold"] = "fold"


@dataclass(frozen=True)
class Section:
    """One section of the page."""

    ident: str
    title: str
    parts: tuple[Any, ...] = field(default=())


Cell = Callable[[Any], str]

#: Columns with the columns of their limits: shown as one, such as 4.03 (3.61 to 4.45).
LIMITS = {
    "estimate": ("low", "high"),
    "ratio": ("low", "high"),
    "proportion": ("low", "high"),
    "difference": ("difference_low", "difference_high"),
    "be_total_pct": ("be_low_pct", "be_high_pct"),
    "saving_pct": ("saving_low_pct", "saving_high_pct"),
    "change_pct": ("change_low_pct", "change_high_pct"),
    "gain": ("gain_low", "gain_high"),
}


def decimals_for_column(values: Sequence[float]) -> int:
    """Give the decimals for a column: three digits of its largest, the same in all rows.

    Examples
    --------
    >>> decimals_for_column([412.3, 0.07]), decimals_for_column([0.0412, 0.038])
    (0, 4)
    """
    sizes = [abs(v) for v in values if math.isfinite(v) and v != 0]
    if not sizes:
        return 0
    if all(v == int(v) for v in sizes):
        return 0
    return max(0, min(6, 2 - math.floor(math.log10(max(sizes)))))


def build_table(
    frame: pd.DataFrame,
    *,
    columns: Sequence[str],
    say: Wording,
    caption: str,
    heads: Mapping[str, str] | None = None,
    formats: Mapping[str, Cell] | None = None,
    notes: Sequence[str] = (),
    together: Sequence[str] = ("estimate", "mean", "low", "high", "se"),
    row_heads: int = 1,
) -> Table:
    """Format a table of raw numbers for the page.

    Parameters
    ----------
    frame : DataFrame
        Raw values.
    columns : sequence of str
        Columns shown, in order; those the frame lacks are left out.
    say : Wording
        Words and numbers.
    caption : str
        What the table holds.
    heads : mapping, optional
        Heads that differ from those in the catalogue.
    formats : mapping, optional
        Column → function from cell to text.
    notes : sequence of str
        Lines under the table.
    together : sequence of str
        Columns that share one number of decimals.
    row_heads : int
        How many leading columns name the row.

    Returns
    -------
    Table
    """
    import pandas as pd

    names = [c for c in columns if c in frame.columns]
    formats, heads = dict(formats or {}), dict(heads or {})
    shared = [float(v) for c in together if c in names for v in frame[c] if _is_number(v)]
    numeric = tuple(
        pd.api.types.is_numeric_dtype(frame[c]) and not pd.api.types.is_bool_dtype(frame[c])
        for c in names
    )
    cells: list[list[str]] = []
    for name, is_number in zip(names, numeric, strict=True):
        write = formats.get(name)
        if write is None and name == "p":
            write = say.p
        if write is None and is_number:
            own = shared if name in together else [float(v) for v in frame[name] if _is_number(v)]
            write = _number_writer(say, decimals_for_column(own))
        cells.append([(write or _text_writer(say))(v) for v in frame[name]])
    shown = {
        name: Column(
            heads.get(name, say.either(f"column.{name}", head(name))), tuple(own), is_number
        )
        for name, own, is_number in zip(names, cells, numeric, strict=True)
    }
    shown = _join_limits(shown, say)
    return Table(
        caption=caption,
        heads=tuple(column.head for column in shown.values()),
        rows=tuple(zip(*(column.cells for column in shown.values()), strict=True)),
        numeric=tuple(column.numeric for column in shown.values()),
        notes=tuple(notes),
        row_heads=row_heads,
    )


@dataclass(frozen=True)
class Column:
    """One column of a table, every cell as text."""

    head: str
    cells: tuple[str, ...]
    numeric: bool


def _join_limits(shown: dict[str, Column], say: Wording) -> dict[str, Column]:
    """Put limits into brackets behind what they are the limits of."""
    out = dict(shown)
    for name, (low, high) in LIMITS.items():
        if not {name, low, high} <= set(out):
            continue
        first, last = out.pop(low), out.pop(high)
        three = zip(out[name].cells, first.cells, last.cells, strict=True)
        cells = tuple(
            say.text("page.with_limits", value=value, low=a, high=b) if a != "–" else value
            for value, a, b in three
        )
        out[name] = Column(say.text("page.limits_head", head=out[name].head), cells, True)
    return out


def _is_number(value: Any) -> bool:
    try:
        return math.isfinite(float(value))
    except (TypeError, ValueError):
        return False


def _number_writer(say: Wording, decimals: int) -> Cell:
    return lambda value: say.number(value, decimals)


def _text_writer(say: Wording) -> Cell:
    def write(value: Any) -> str:
        if isinstance(value, bool):
            return say.text("page.yes" if value else "page.no")
        if value is None or value != value:
            return "–"
        return str(value)

    return write


def show_findings(findings: Sequence[Finding], say: Wording) -> tuple[Found, ...]:
    """Give each finding once, the gravest first, in the page's words."""
    rank = {"stop": 0, "caution": 1, "note": 2}
    unique = dict.fromkeys(findings)
    return tuple(
        Found(
            severity=f.severity,
            label=say.text(f"severity.{f.severity}"),
            message=say.written(f.said),
            remedy=say.written(f.cure),
        )
        for f in sorted(unique, key=lambda f: rank[f.severity])
    )
