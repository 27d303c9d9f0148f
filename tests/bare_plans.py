"""Plans written without what is only for the eye, where no test looks at it.

The map, the pages to print and the workbooks take most of the time in which a plan is written;
`tests/design` looks at them. What is read again is written as ever.
"""

from contextlib import contextmanager
from unittest.mock import patch

_ROOM = "trialkit.design.sheets"


def _no_pages(plan, folder, **_):
    return []


def _nothing(plan, path):
    return path


@contextmanager
def bare_plans():
    """Leave out of every plan that is written what people look at, print or fill in."""
    with (
        patch(f"{_ROOM}.map.map_svg", lambda plan: "<svg/>"),
        patch(f"{_ROOM}.map.save_png", _nothing),
        patch(f"{_ROOM}.printed.write_sheets", _no_pages),
        patch(f"{_ROOM}.workbook.write_workbook", _nothing),
        patch(f"{_ROOM}.workbook.write_harvest_book", _nothing),
    ):
        yield


def write_bare(plan, folder, **options):
    """Write a plan so."""
    with bare_plans():
        return plan.write(folder, **options)
