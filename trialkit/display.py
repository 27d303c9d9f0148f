"""One formatted table per result, shown as text or as HTML.

Rounding follows the standard error where there is one and never touches the
stored values. Every cell is escaped in HTML, since names come from users' files.
"""

from __future__ import annotations

import html
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from trialkit.line_width import width_of_lines
from trialkit.short_repr import short_repr
from trialkit.visible_text import visible
from trialkit.wording import spoken
from trialkit.wording.row_notes import note_words

_MOST_DECIMALS = 3


def decimals_for(se: float, significant: int = 2) -> int:
    """Give the decimals that show a standard error to two significant digits.

    Parameters
    ----------
    se : float
        Standard error in the unit shown.
    significant : int
        Significant digits of the standard error to show.

    Returns
    -------
    int
        Number of decimals, from 0 to 8.

    Examples
    --------
    >>> decimals_for(0.0234), decimals_for(12.3), decimals_for(345.0)
    (3, 0, 0)
    """
    if not math.isfinite(se) or se <= 0:
        return 3
    return int(min(8, max(0, significant - 1 - math.floor(math.log10(se)))))


def decimals_beside(ratio: float, edges: Sequence[float], *, fewest: int = 0) -> int:
    """Give the decimals of a per cent at which a ratio is seen to lie beside each edge.

    A level is better only if its lower limit is above 1: "the same to 5 % more" would not
    show that.

    Parameters
    ----------
    ratio : float
    edges : sequence of float
        Ratios that it must not seem to equal, such as 1 and 1 minus the accepted loss.
    fewest : int
        Decimals to have at least.

    Returns
    -------
    int

    Examples
    --------
    >>> decimals_beside(0.9997, (1.0, 0.9)), decimals_beside(1.062, (1.0, 0.9))
    (2, 0)
    """
    if not math.isfinite(ratio):
        return fewest
    for decimals in range(fewest, _MOST_DECIMALS):
        shown = round(100 * ratio, decimals)
        if all(shown != round(100 * e, decimals) or ratio == e for e in edges):
            return decimals
    return max(fewest, _MOST_DECIMALS)


def format_p(p: float) -> str:
    """Write a p-value so that a small one is not printed as zero.

    Examples
    --------
    >>> format_p(0.0412), format_p(0.00001), format_p(float("nan"))
    ('0.041', '< 0.0001', '–')
    """
    return spoken().p(p if math.isfinite(p) else None)


def format_number(value: object, decimals: int | None = None) -> str:
    """Write one cell as the locale in use does: numbers with sensible digits, the rest as it is.

    Examples
    --------
    >>> format_number(1234.5678), format_number(0.012345), format_number(None)
    ('1,235', '0.0123', '–')
    """
    if value is None or value is pd.NaT:
        return "–"
    if isinstance(value, bool):
        return spoken().text("page.yes" if value else "page.no")
    if isinstance(value, float) or getattr(getattr(value, "dtype", None), "kind", "") == "f":
        return spoken().number(value, decimals)
    return spoken().written(value)


@dataclass(frozen=True)
class Shown:
    """A table ready to be shown: heads, rows of text, caption and notes.

    Parameters
    ----------
    heads : tuple of str
        Column heads, with units.
    rows : tuple of tuple of str
        Cells as text.
    caption : str
        One sentence that says what the table holds.
    notes : tuple of str
        Lines printed under the table.
    numeric : tuple of bool
        Which columns are numbers (aligned right).
    """

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    caption: str = ""
    notes: tuple[str, ...] = ()
    numeric: tuple[bool, ...] = ()

    def text(self) -> str:
        """Give the table as plain text; one row below another where it is too wide.

        How wide it may be is told by `trialkit.line_width.within_width`.
        """
        grid = [self.heads, *self.rows]
        widths = [max(len(row[j]) for row in grid) for j in range(len(self.heads))]
        numeric = self.numeric or (False,) * len(self.heads)

        def line(row: Sequence[str]) -> str:
            cells = [
                cell.rjust(width) if right else cell.ljust(width)
                for cell, width, right in zip(row, widths, numeric, strict=True)
            ]
            return "  ".join(cells).rstrip()

        out = [self.caption] if self.caption else []
        most = width_of_lines()
        if most is not None and sum(widths) + 2 * (len(widths) - 1) > most:
            out += self._stacked()
        else:
            out += [line(self.heads), "  ".join("─" * width for width in widths)]
            out += [line(row) for row in self.rows]
        out += list(self.notes)
        return visible("\n".join(out))

    def _stacked(self) -> list[str]:
        """Give each row as lines of head and cell, below its first cell."""
        width = max((len(head) for head in self.heads[1:]), default=0)
        out = []
        for first, *cells in self.rows:
            out.append(f"{self.heads[0]} {first}")
            told = [(head, cell) for head, cell in zip(self.heads[1:], cells, strict=True) if cell]
            out += [f"  {head.ljust(width)}  {cell}" for head, cell in told]
        return out

    def __str__(self) -> str:
        return self.text()

    def _repr_html_(self) -> str:
        return self.html()

    def html(self) -> str:
        """Give the table as an HTML fragment with caption and scoped heads."""
        numeric = self.numeric or (False,) * len(self.heads)
        # JupyterLab sets every cell to the right, which suits numbers only
        css = [' class="number"' if right else ' style="text-align:left"' for right in numeric]
        parts = ['<table class="tk-table">']
        if self.caption:
            parts.append(f"<caption>{html.escape(visible(self.caption))}</caption>")
        parts.append("<thead><tr>")
        parts += [
            f'<th scope="col"{c}>{html.escape(visible(head))}</th>'
            for head, c in zip(self.heads, css, strict=True)
        ]
        parts.append("</tr></thead><tbody>")
        for row in self.rows:
            cells = [
                (
                    f'<th scope="row"{c}>{html.escape(visible(cell))}</th>'
                    if j == 0
                    else f"<td{c}>{html.escape(visible(cell))}</td>"
                )
                for j, (cell, c) in enumerate(zip(row, css, strict=True))
            ]
            parts.append(f"<tr>{''.join(cells)}</tr>")
        parts.append("</tbody></table>")
        parts += [f'<p class="tk-note">{html.escape(visible(note))}</p>' for note in self.notes]
        return "".join(parts)


@dataclass(frozen=True)
class Lines:
    """Lines that belong under one another: cautions, steps, findings.

    Parameters
    ----------
    lines : tuple of str
    """

    lines: tuple[str, ...]

    __repr__ = short_repr

    def __str__(self) -> str:
        return visible("\n".join(f"• {line}" for line in self.lines))

    def _repr_html_(self) -> str:
        return self.html()

    def html(self) -> str:
        """Give the lines as a list; nothing where there are none."""
        items = "".join(f"<li>{html.escape(visible(line))}</li>" for line in self.lines)
        return f'<ul class="tk-lines">{items}</ul>' if items else ""


def show_lines(lines: Iterable[object]) -> Lines:
    """Format lines as a list, for text and for HTML.

    Parameters
    ----------
    lines : iterable
        Texts, or anything that says itself in words, such as findings.

    Returns
    -------
    Lines

    Examples
    --------
    >>> print(show_lines(["Weigh the block.", "Write it down."]))
    • Weigh the block.
    • Write it down.
    """
    return Lines(tuple(str(line) for line in lines))


def _head(name: str) -> str:
    """Give the head of a column that has none: its words in the catalogue, or its name."""
    return spoken().either(f"column.{name}", name.replace("_", " "))


def _df_decimals(column: pd.Series) -> int | None:
    """Give all degrees of freedom of a column the same decimals: none where all are whole."""
    if not pd.api.types.is_float_dtype(column):
        return None
    values = column[column.abs() < math.inf].to_numpy(dtype=float)
    if not len(values) or abs(values - values.round()).max() < 0.005:
        return 0
    return 2 if values.max() < 10 else 1


def show_table(
    table: pd.DataFrame,
    *,
    heads: Mapping[str, str] | None = None,
    formats: Mapping[str, Callable[[object], str]] | None = None,
    caption: str = "",
    notes: Sequence[str] = (),
    columns: Sequence[str] | None = None,
) -> Shown:
    """Format a table of raw numbers once, for text and for HTML.

    Parameters
    ----------
    table : DataFrame
        Raw values. Columns ``estimate``, ``low``, ``high`` are rounded by ``se`` if present.
    heads : mapping, optional
        Column name to the head shown (with unit).
    formats : mapping, optional
        Column name to a function from cell to text.
    caption, notes
        Shown above and below.
    columns : sequence of str, optional
        Which columns to show, in order; all by default.

    Returns
    -------
    Shown

    Examples
    --------
    >>> t = pd.DataFrame({"level": ["usual"], "estimate": [412.3456], "se": [11.8]})
    >>> show_table(t).rows
    (('usual', '412', '12'),)
    """
    heads, formats = dict(heads or {}), dict(formats or {})
    names = list(columns) if columns is not None else list(map(str, table.columns))
    by_se = {"estimate", "se", "low", "high", "difference", "mean"}
    ses = table["se"] if "se" in table.columns else None
    whole_or_alike = _df_decimals(table["df"]) if "df" in names else None
    rows = []
    for i in range(len(table)):
        places = decimals_for(float(ses.iloc[i])) if ses is not None else None
        cells = []
        for name in names:
            value = table[name].iloc[i]
            if name in formats:
                cells.append(formats[name](value))
            elif name == "note":
                cells.append(note_words(value, spoken()))
            elif name == "p":
                cells.append(format_p(float(value)))
            elif name == "df":
                cells.append(format_number(value, whole_or_alike))
            else:
                cells.append(format_number(value, places if name in by_se else None))
        rows.append(tuple(cells))
    numeric = tuple(
        pd.api.types.is_numeric_dtype(table[name]) and not pd.api.types.is_bool_dtype(table[name])
        for name in names
    )
    return Shown(
        heads=tuple(heads.get(name) or _head(name) for name in names),
        rows=tuple(rows),
        caption=caption,
        notes=tuple(notes),
        numeric=numeric,
    )
