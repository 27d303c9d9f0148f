"""Columns of a harvest sheet in which somebody wrote what a block received."""

from __future__ import annotations

import numpy as np

from trialkit.logs.heads import plain_head
from trialkit.logs.opening import Opened
from trialkit.logs.text.arrow import encode_cells
from trialkit.trial import Trial


def level_heads(trial: Trial, opened: Opened) -> dict[str, str]:
    """Find the columns that name the level of a treatment: treatment → head, its own name."""
    used = {part for head in opened.columns.heads.values() for part in head.split(" + ")}
    heads = {plain_head(head): head for head in opened.raw.columns if head not in used}
    names = {name: plain_head(name) for name in trial.factors}
    return {name: heads[plain] for name, plain in names.items() if plain in heads}


def level_cells(trial: Trial, opened: Opened) -> dict[str, np.ndarray]:
    """Give the level that a sheet names in each row, by treatment, as text."""
    return {name: texts_of(opened, head) for name, head in level_heads(trial, opened).items()}


def texts_of(opened: Opened, head: str) -> np.ndarray:
    """Give the cells of a column as text, without blanks around it."""
    texts, codes = encode_cells(opened.raw.columns[head])
    return np.asarray(np.array([*(t.strip() for t in texts), ""], dtype=object)[codes])
