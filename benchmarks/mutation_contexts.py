"""Tell coverage which test runs, and keep how long it took: a plug-in of pytest.

`mutation_reach.py` uses it. Coverage's own way goes by names of functions, and takes every property
test for one and the same. What fixtures do before a test is nobody's, as they may be shared.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from pathlib import Path

import coverage
import pytest

_SECONDS: dict[str, float] = {}


def _name(node: str) -> str:
    """Give a test without its case."""
    return node.split("[")[0]


@pytest.hookimpl(wrapper=True)
def pytest_runtest_call(item: pytest.Item) -> Iterator[None]:
    """Name the test while it is called."""
    measured = coverage.Coverage.current()
    if measured is None:
        return (yield)
    measured.switch_context(_name(item.nodeid))
    try:
        return (yield)
    finally:
        measured.switch_context("")


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """Add up how long a test took, all its cases together."""
    name = _name(report.nodeid)
    _SECONDS[name] = _SECONDS.get(name, 0.0) + report.duration


def pytest_sessionfinish() -> None:
    """Write the seconds where they are wanted."""
    Path(os.environ["MUTATION_SECONDS"]).write_text(json.dumps(_SECONDS), encoding="utf-8")
