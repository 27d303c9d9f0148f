"""A progress bar for long work, in terminals and notebooks."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

Told = Callable[[int, int], None]


@contextmanager
def shown_progress(progress: Told | bool | None, label: str) -> Iterator[Told | None]:
    """Give a callable told (done, planned): the caller's own, a bar, or None.

    Parameters
    ----------
    progress : callable, bool or None
        True shows a bar while the ``with`` block runs.
    label : str
        Words beside the bar.
    """
    if callable(progress):
        yield progress
    elif not progress:
        yield None
    else:
        from rich.progress import (
            BarColumn,
            MofNCompleteColumn,
            Progress,
            TextColumn,
            TimeRemainingColumn,
        )

        columns = (
            TextColumn("{task.description}"),
            BarColumn(),
            MofNCompleteColumn(),
            TimeRemainingColumn(),
        )
        with Progress(*columns) as bar:
            task = bar.add_task(label, total=None)
            yield lambda done, planned: bar.update(task, completed=done, total=planned)
