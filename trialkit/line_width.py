"""How wide a line may be where tables are written as text, such as on a terminal."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

_WIDTH: ContextVar[int | None] = ContextVar("width", default=None)


@contextmanager
def within_width(letters: int | None) -> Iterator[None]:
    """Have tables that are written inside stack their rows where they are wider.

    Parameters
    ----------
    letters : int or None
        Width of a line; None for no bound.

    Examples
    --------
    >>> from trialkit.display import Shown
    >>> shown = Shown(("schedule", "mean [g]", "lower limit [g]"), (("usual", "699", "628"),))
    >>> with within_width(30):
    ...     print(shown.text())
    schedule usual
      mean [g]         699
      lower limit [g]  628
    """
    token = _WIDTH.set(letters)
    try:
        yield
    finally:
        _WIDTH.reset(token)


def width_of_lines() -> int | None:
    """Give the width in force, None where there is none."""
    return _WIDTH.get()
