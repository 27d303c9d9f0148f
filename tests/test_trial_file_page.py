"""The page on the trial file names every key that may stand in it, and none that may not."""

from __future__ import annotations

import re
from pathlib import Path

from trialkit.trial.deviations import HappenedSection
from trialkit.trial.sections import (
    LOG_SECTIONS,
    SECTIONS,
    BatchSection,
    Calibration,
    Clock,
    ColumnSection,
    CovariateSection,
    FactorSection,
    Forbidden,
    Keep,
    LeaveOut,
    RangeSection,
    Setting,
    Trust,
    Window,
)

PAGE = (Path(__file__).parents[1] / "docs" / "trial-file.md").read_text(encoding="utf-8")
#: Sections that are not under a name of their own at the top.
INNER = (
    *(BatchSection, HappenedSection, FactorSection, RangeSection, Setting, Forbidden, Clock),
    *(Keep, Calibration, Trust, LeaveOut, Window, ColumnSection, CovariateSection),
)
KEYS = {
    key
    for section in (*SECTIONS.values(), *LOG_SECTIONS.values(), *INNER)
    for key in section.model_fields
} | {"structure", "flushes", "over_time"}


def test_every_key_is_explained() -> None:
    code = " ".join(re.findall(r"`([^`]*)`", PAGE))
    named = set(re.findall(r"[a-z_0-9]+", code))
    assert sorted(KEYS - named) == []


def test_no_key_is_invented() -> None:
    """The first cell of each row in a table of keys names keys of the trial file alone."""
    cells = [line.split("|")[1] for line in PAGE.splitlines() if line.startswith("| `")]
    named = {word for cell in cells for word in re.findall(r"`([a-z_0-9]+)`", cell)}
    assert len(named) > 80
    assert sorted(named - KEYS) == []
