"""One look for every picture: colours, marks, line styles and the drawing context.

The colours were searched for so that any two of the first three stay apart for readers with
each kind of colour blindness, and so that they differ in lightness when printed in grey; a
mark and a line style go with each, so that colour is never the only sign. Every colour has a
partner for dark pages: pages swap them by `DARK`, see `trialkit.report`.
"""

from __future__ import annotations

import inspect
import io
import re
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from functools import wraps
from typing import TYPE_CHECKING, Any, Literal, ParamSpec, TypeVar

from trialkit.errors import ReportError

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

P = ParamSpec("P")
R = TypeVar("R")

INK = "#22302e"  #: words, axes, reference lines
SOFT = "#566462"  #: second-rank words
RULE = "#cdd5d2"  #: grid lines and hairlines
SAND = "#ece3cf"  #: the margin: loss that would still be accepted
WASH = "#e6eeee"  #: quiet fill: bands that are wanted, areas behind data
FLAG = "#a0100c"  #: faults, doubted and set-aside records, cautions
PAPER = "#ffffff"  #: inside of open marks, times without a usable record
DRY = "#1f2c2a"  #: air drier than wanted
WET = "#4a55f0"  #: air wetter than wanted: no schedule has it

#: Levels of treatments, and nothing else: a schedule is never the colour of a fault or of air.
SERIES = ("#5d2d4f", "#b05e16", "#299fbb", "#135b97", "#939259", "#7b2b2c")
#: The same levels in words: dark enough to be read on white and on quiet fills.
SERIES_WORDS = ("#5d2d50", "#985213", "#1c6d80", "#135b98", "#65643d", "#7b2b2d")
#: The same levels as fills of areas that hold words, and shades within them, the lightest first.
SERIES_FILLS = ("#c1afbc", "#e1c2a6", "#aedbe5", "#a5c1d7", "#d6d6c0", "#cdaeaf")
SHADES = ("#fdfdfd", "#eeeeee", "#dfdfdf", "#d0d0d0", "#c2c2c2")
_NOTE_SIZE = 8.5
_MARKS = ("o", "s", "^", "D", "v", "P")
_DASHES: tuple[Any, ...] = (
    "solid",
    (0, (5, 2)),
    (0, (1, 1.4)),
    (0, (6, 2, 1, 2)),
    (0, (3, 1)),
    (0, (8, 3)),
)
_HATCHES = ("", "////", "|||", "\\\\\\\\", "xxxx", "----")

_DARK_FILLS = ("#45384c", "#5f4228", "#426667", "#214766", "#545e40", "#5c4842")
_DARK_SHADES = ("#59625f", "#4b5452", "#3d4644", "#303937", "#242c2b")
#: Light colour → its partner on a dark page.
DARK = {
    INK: "#e4ebe8",
    SOFT: "#a9b7b3",
    RULE: "#3b4745",
    SAND: "#4a4331",
    WASH: "#24302f",
    FLAG: "#ffb3c9",
    DRY: "#ffffff",
    WET: "#a1b3e6",
    PAPER: "#171e1d",
    SERIES[0]: "#9e6aa8",
    SERIES[1]: "#eb873d",
    SERIES[2]: "#95f1f6",
    SERIES[3]: "#3398f5",
    SERIES[4]: "#c9db85",
    SERIES[5]: "#e29b89",
    SERIES_WORDS[0]: "#dc9be8",
    SERIES_WORDS[1]: "#ff984c",
    SERIES_WORDS[2]: "#96f1f6",
    SERIES_WORDS[3]: "#6bb8ff",
    SERIES_WORDS[4]: "#cadb85",
    SERIES_WORDS[5]: "#eaa08e",
    **dict(zip(SERIES_FILLS, _DARK_FILLS, strict=True)),
    **dict(zip(SHADES, _DARK_SHADES, strict=True)),
}

#: Width of a figure that fills a page column, in inches.
WIDTH = 7.2
#: Width of a figure on a phone, in inches: 350 px.
NARROW = 3.65


@dataclass(frozen=True)
class Look:
    """How one level is drawn.

    Parameters
    ----------
    color : str
        Hex colour for light pages.
    mark : str
        Point mark, as matplotlib names it.
    dash : str or tuple
        Line style, as matplotlib names it.
    hatch : str
        Fill pattern for areas.
    words : str
        Hex colour for words about the level.
    fill : str
        Hex colour for areas that hold words.
    """

    color: str
    mark: str
    dash: Any
    hatch: str
    words: str = INK
    fill: str = PAPER


def looks(levels: Sequence[object]) -> dict[Any, Look]:
    """Give each level a colour, mark and line style, the same in every figure.

    Parameters
    ----------
    levels : sequence
        Levels in the order of the trial file. More than six come round again with another
        pairing of mark and colour.

    Returns
    -------
    dict
        Level → `Look`.

    Examples
    --------
    >>> looks(["usual", "sparse"])["sparse"].mark
    's'
    """
    n = len(SERIES)
    return {
        level: Look(
            SERIES[i % n],
            _MARKS[(i + i // n) % n],
            _DASHES[(i + i // n) % n],
            _HATCHES[(i + i // n) % n],
            SERIES_WORDS[i % n],
            SERIES_FILLS[i % n],
        )
        for i, level in enumerate(dict.fromkeys(levels))
    }


def plain_looks(names: Sequence[object]) -> dict[Any, Look]:
    """Give lines that are no levels of a treatment ink and grey, told apart by dash and mark.

    Parameters
    ----------
    names : sequence
        Names in the order drawn.

    Returns
    -------
    dict
        Name → `Look`, none with the colour of a level.

    Examples
    --------
    >>> plain_looks(["to show no loss", "to show a gain"])["to show a gain"].mark
    's'
    """
    n = len(_MARKS)
    return {
        name: Look(INK if i % 2 == 0 else SOFT, _MARKS[i % n], _DASHES[i % n], _HATCHES[i % n])
        for i, name in enumerate(dict.fromkeys(names))
    }


def settings() -> dict[str, Any]:
    """Give the matplotlib settings of the house style.

    Words stay words in SVG (small files, searchable), names from users' files are never
    read as mathematics, and equal figures give equal bytes.
    """
    return {
        "figure.figsize": (WIDTH, 3.6),
        "figure.dpi": 110,
        "figure.facecolor": "none",
        "axes.facecolor": "none",
        "savefig.facecolor": "none",
        "savefig.bbox": "tight",
        "savefig.pad_inches": 0.06,
        "font.family": "sans-serif",
        "font.sans-serif": ["DejaVu Sans"],
        "font.size": 9.5,
        "axes.titlesize": 10.5,
        "axes.titlelocation": "left",
        "axes.titleweight": "bold",
        "axes.titlepad": 10.0,
        "axes.labelsize": 9.5,
        "axes.labelcolor": INK,
        "axes.edgecolor": SOFT,
        "axes.linewidth": 0.8,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "axes.axisbelow": True,
        "axes.titlecolor": INK,
        "text.color": INK,
        "text.parse_math": False,
        "xtick.color": SOFT,
        "ytick.color": SOFT,
        "xtick.labelcolor": INK,
        "ytick.labelcolor": INK,
        "xtick.labelsize": 9.0,
        "ytick.labelsize": 9.0,
        "xtick.major.size": 3.0,
        "ytick.major.size": 3.0,
        "grid.color": RULE,
        "grid.linewidth": 0.7,
        "legend.frameon": False,
        "legend.fontsize": 9.0,
        "lines.linewidth": 1.7,
        "lines.markersize": 6.0,
        "hatch.linewidth": 0.6,
        "svg.fonttype": "none",
        "svg.hashsalt": "trialkit",
        "axes.unicode_minus": True,
    }


@contextmanager
def drawing(**changes: Any) -> Iterator[None]:
    """Draw in the house style inside a ``with`` block; settings outside stay as they were.

    Parameters
    ----------
    **changes
        Settings that differ from the house style in this block.
    """
    import warnings

    import matplotlib as mpl

    show_in_notebooks()
    rc: Any = settings() | changes
    with mpl.rc_context(rc), warnings.catch_warnings():
        # a name with rare letters is drawn by the reader's own fonts in SVG
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        yield


def show_in_notebooks() -> None:
    """Let a figure that ends a notebook's cell show itself, without a magic line before.

    Nothing changes outside notebooks, or where figures are shown in some way already.
    """
    shell = getattr(sys.modules.get("IPython"), "get_ipython", lambda: None)()
    formatter = getattr(shell, "display_formatter", None)
    if formatter is None:
        return
    from matplotlib.figure import Figure

    png = formatter.formatters["image/png"]
    try:
        png.lookup_by_type(Figure)
    except KeyError:
        png.for_type(Figure, _as_png)


def _as_png(figure: Figure) -> bytes:
    target = io.BytesIO()
    figure.savefig(target, format="png", dpi=96, bbox_inches="tight")
    return target.getvalue()


def _wrong_table(
    draw: Callable[..., object],
    args: tuple[Any, ...],
    kwargs: dict[str, Any],
    problem: Exception,
) -> str:
    """Say what a figure was given in place of its table; nothing where the table is right."""
    import pandas as pd

    name, wanted = draw.__name__, next(iter(inspect.signature(draw).parameters))
    table = args[0] if args else kwargs.get(wanted)
    if not isinstance(table, (pd.DataFrame, pd.Series)):
        kind = type(table).__name__
        return f"{name}: {wanted!r} must be a table, not {kind} → see help(tk.figures.{name})"
    told = str(problem.args[0]) if isinstance(problem, KeyError) and problem.args else ""
    # pandas names one column as it is, several in a sentence
    sought = re.findall(r"'([^']+)'", told.partition("dtype")[0]) or [told]
    missing = ", ".join(repr(name) for name in sought if name and name not in table)
    if not missing:
        return ""
    has = ", ".join(map(str, getattr(table, "columns", table.index)))
    return f"{name}: {wanted!r} lacks {missing}; it has {has} → see help(tk.figures.{name})"


def styled(draw: Callable[P, R]) -> Callable[P, R]:
    """Wrap a drawing function so that it always draws in the house style.

    A table without the columns that the figure needs is refused with those it has. A figure that
    was made for the drawing is fitted to what is drawn; axes handed in keep their place.
    """
    takes = inspect.signature(draw)

    @wraps(draw)
    def inside(*args: P.args, **kwargs: P.kwargs) -> R:
        with drawing():
            try:
                drawn = draw(*args, **kwargs)
                if takes.bind(*args, **kwargs).arguments.get("ax") is None:
                    _fit(drawn)
                return drawn
            except (KeyError, AttributeError, IndexError, TypeError) as problem:
                words = _wrong_table(draw, args, kwargs, problem)
                if not words:
                    raise
                raise ReportError(words) from problem

    return inside


def _fit(drawn: object) -> None:
    """Fit the figure of axes to what is drawn; one that places its own words is left alone."""
    from matplotlib.axes import Axes

    from trialkit.figure_frame import fit_frame

    if isinstance(drawn, Axes) and drawn.axison:
        fit_frame(drawn.get_figure(root=True))  # type: ignore[arg-type, unused-ignore]


@dataclass(frozen=True)
class Form:
    """The form in which figures are drawn for a page. Made by `page_form`.

    Parameters
    ----------
    narrow : bool
        Whether they are drawn for a phone.
    notes : list of str
        What figures say below themselves; the page writes it in words of its own.
    """

    narrow: bool = False
    notes: list[str] = field(default_factory=list)


_FORM: ContextVar[Form | None] = ContextVar("form", default=None)


@contextmanager
def page_form(*, narrow: bool = False) -> Iterator[Form]:
    """Draw figures for a page inside a ``with`` block: their notes are gathered, not drawn.

    Parameters
    ----------
    narrow : bool
        Draw them for a phone, `NARROW` wide, with the words of each row above it.

    Examples
    --------
    >>> with page_form(narrow=True) as form:
    ...     ax = axes()
    ...     note(ax, "Bars: limits.")
    >>> form.notes, float(ax.figure.get_size_inches()[0]) == NARROW
    (['Bars: limits.'], True)
    """
    form = Form(narrow=narrow)
    token = _FORM.set(form)
    try:
        yield form
    finally:
        _FORM.reset(token)


def is_narrow() -> bool:
    """Tell whether figures are drawn for a phone."""
    form = _FORM.get()
    return form is not None and form.narrow


def axes(ax: Axes | None = None, *, width: float = WIDTH, height: float = 3.6) -> Axes:
    """Give the axes to draw on: the ones handed in, or new ones on a figure of their own.

    A new figure belongs to no window system and is freed with its last reference.

    Parameters
    ----------
    ax : Axes, optional
        Axes to draw on.
    width, height : float
        Size of a new figure, in inches.
    """
    if ax is not None:
        return ax
    from matplotlib.figure import Figure

    wide = min(width, NARROW) if is_narrow() else width
    return Figure(figsize=(wide, height)).subplots()


def dress(ax: Axes, *, grid: Literal["x", "y", "both", ""] = "y") -> Axes:
    """Give axes the house look whatever settings they were made with.

    Parameters
    ----------
    ax : Axes
        Axes to dress, changed in place.
    grid : {"x", "y", "both", ""}
        Direction of the hairlines.
    """
    ax.set_axisbelow(True)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        ax.spines[side].set_color(SOFT)
    for name, axis in (("x", ax.xaxis), ("y", ax.yaxis)):
        shown = grid in (name, "both")
        hairlines: dict[str, Any] = {"color": RULE, "linewidth": 0.7} if shown else {}
        axis.grid(shown, **hairlines)
    ax.tick_params(color=SOFT, labelcolor=INK)
    return ax


def note(ax: Axes, text: str, *, below: float = 44.0, whole: bool = False) -> None:
    """Write what the marks and intervals are, and on how many units, under the axes.

    Parameters
    ----------
    ax : Axes
    text : str
        Wrapped to the width of the axes.
    below : float
        Distance from the lower edge of the axes, in points.
    whole : bool
        As wide as the figure, as notes of figures with one pair of axes are.
    """
    from trialkit.figure_frame import NOTE
    from trialkit.fit_text import wrap

    form = _FORM.get()
    if form is not None:
        form.notes.append(" ".join(text.split()))
        return
    fig: Any = ax.get_figure(root=True)
    alone = whole or len(fig.axes) == 1
    wide = float(fig.get_size_inches()[0]) * (1.0 if alone else ax.get_position().width)
    text = re.sub(r"n = (\S+) ", "n\u00a0=\u00a0\\1\u00a0", text)  # a count stays with its unit
    lines = wrap(text, 72 * wide - 10, _NOTE_SIZE)
    ax.annotate(
        "\n".join(lines).replace("\u00a0", " "),
        xy=(0, 0),
        xycoords=("figure fraction", "axes fraction") if alone else "axes fraction",
        xytext=(4 if alone else 0, -below),
        textcoords="offset points",
        ha="left",
        va="top",
        fontsize=_NOTE_SIZE,
        color=SOFT,
        annotation_clip=False,
        label=NOTE,
    )
