"""
Several trials of one question
==============================

What trials in several rooms say together. The three answers are made up for the picture; yours come
from ``trialkit pool``.
"""

import numpy as np

import trialkit as tk
from trialkit.federation.answer import TrialAnswer
from trialkit.federation.pool import pool_answers

found = {"garage": 0.97, "cellar": 1.03, "barn": 0.94}
answers = [
    TrialAnswer(
        title=title,
        species="oyster",
        begun="2031-03",
        response="fresh_g",
        unit="g",
        better="more",
        level="sparse",
        control="usual",
        estimate=float(np.log(ratio)),
        se=0.04,
        df=9.0,
        method="kenward-roger",
        counts={"batches": 4, "chambers": 4, "runs": 16, "blocks": 96, "weights": 192},
        fingerprint=f"{number:064x}",
        invented=True,
    )
    for number, (title, ratio) in enumerate(found.items())
]
pooled = pool_answers(answers, margin_pct=10)

# %%
# Each trial, their mean, and what the next room or season may show. With three trials the last is
# hardly known. The shaded part is the loss that was accepted beforehand.
ax = tk.figures.answers_together(
    pooled.table,
    pooled=pooled.ratios,
    control="usual",
    margin_pct=pooled.margin_pct,
    basis="n = 3 trials.",
)
