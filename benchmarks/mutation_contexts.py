"""Tell coverage which test runs: a plug-in of pytest that `mutations.py` uses.

Coverage's own way goes by names of functions, and takes every property test for one and the same.
What fixtures do before a test is nobody's, as they may be shared.
"""

from __future__ import annotations

from collections.abc import Iterator

import coverage
import pytest


@pytest.hookimpl(wrapper=True)
def pytest_runtest_call(item: pytest.Item) -> Iterator[None]:
    """Name the test while it is called."""
    measured = coverage.Coverage.current()
    if measured is None:
        return (yield)
    measured.switch_context(item.nodeid.split("[")[0])
    try:
        return (yield)
    finally:
        measured.switch_context("")
