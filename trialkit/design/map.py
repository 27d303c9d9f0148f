"""The plan as a map: chambers across, batches down, every place labelled."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from trialkit.design.assign import Plan


def draw_map(plan: Plan) -> Figure:
    """Draw who receives what."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(8, 5))
    axes = figure.subplots()
    axes.set_axis_off()
    first = plan.trial.primary
    table = plan.assignment(first.name)
    for i, (_, row) in enumerate(table.iterrows()):
        axes.text(0.02, 1 - i / len(table), " ".join(map(str, row)), va="top")
    return figure
