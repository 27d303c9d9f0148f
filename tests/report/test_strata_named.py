"""The report names where each treatment is compared: the split plots of Yates' oats by hand."""

from __future__ import annotations

import re

import pytest


def tables_of(text):
    """Give the tables of a page as lists of rows of cells."""
    plain = re.sub(r"<(style|script|svg)\b.*?</\1>", "", text, flags=re.DOTALL)
    out = []
    for table in re.findall(r"<table.*?</table>", plain, flags=re.DOTALL):
        rows = re.findall(r"<tr.*?</tr>", table, flags=re.DOTALL)
        cells = [re.findall(r"<t[hd].*?</t[hd]>", row, flags=re.DOTALL) for row in rows]
        out.append([[re.sub(r"<.*?>", "", c).strip() for c in row] for row in cells])
    return out


@pytest.fixture
def page(field_page):
    return field_page.read_text(encoding="utf-8").replace("\u00a0", " ")


def test_strata_of_a_split_plot(page):
    """Six blocks of three plots of four subplots: the skeleton of Yates (1935).

    Degrees of freedom: blocks 6 − 1; plots 18 − 6 = 12, of which variety 2 and 10 left over;
    subplots 72 − 18 = 54, of which nitrogen 3, both together 6 and 45 left over.
    """
    [skeleton] = [t for t in tables_of(page) if any("variety:nitrogen" in row for row in t)
                  and len(t[0]) == 4 and "df" in t[0]]  # fmt: skip
    rows = [(row[0].split()[0], row[1], row[3]) for row in skeleton[1:]]
    assert rows == [
        ("blocks", "6", "5"),
        ("plots", "18", "2"),
        ("plots", "18", "10"),
        ("subplots", "72", "3"),
        ("subplots", "72", "6"),
        ("subplots", "72", "45"),
    ]
    sources = [row[2] for row in skeleton[1:]]
    assert [s for s in sources if s in ("variety", "nitrogen", "variety:nitrogen")] == [
        "variety", "nitrogen", "variety:nitrogen",
    ]  # fmt: skip


def test_each_treatment_is_said_to_be_given_to_its_own_units(page):
    """Variety to 18 plots, nitrogen to 72 subplots: the number stands beside the unit."""
    text = re.sub(r"<.*?>", " ", page)
    assert re.search(r"\bVariety\b[^.]*\bplots within blocks \(18\b", text)
    assert re.search(r"\bNitrogen\b[^.]*\bsubplots within plots within blocks \(72\b", text)
    assert not re.search(r"\bVariety\b[^.]*\(72\b", text)
