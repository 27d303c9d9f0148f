"""Where the processor time of a report goes: reading and computing, then each part of the page.

    python benchmarks/report_parts.py
    python benchmarks/report_parts.py FOLDER

Without a folder the demo is made. Seconds depend on the machine and on what else it does; the
column "plain" counts in figures of one line that the drawing library makes and saves by itself in
the same run.
"""

from __future__ import annotations

import argparse
import importlib
import io
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

#: What makes a part of the page, in its order.
PARTS = (
    "first_screen.answer_screen", "whole_trial.whole_trial_section", "savings.saves_section",
    "layout.layout_section", "exposures.exposures_section", "harvest.harvest_section",
    "model.model_section", "rows.rows_section", "limits.limits_section",
    "repeating.repeat_section", "cautions.cautions_section", "provenance.provenance_section",
    "glossary.glossary_section",
)  # fmt: skip
#: What draws; the first before anything that uses it is imported.
DRAWING = ("pictures.make_picture", "whole_trial._picture", "layout._map")
_PLAIN = 40  # plain figures drawn


class Clock:
    """Processor seconds of each part, and of the drawing in it."""

    def __init__(self) -> None:
        self.part, self.whole, self.drawn = "", dict[str, float](), dict[str, float]()

    def watch(self, name: str, into: dict[str, float]) -> None:
        """Count the time of one function of the report."""
        module = importlib.import_module(f"trialkit.report.{name.partition('.')[0]}")
        function = name.partition(".")[2]
        setattr(module, function, self._timed(getattr(module, function), name, into))

    def _timed(self, plain: Callable[..., Any], name: str, into: dict[str, float]) -> Any:
        def timed(*given: Any, **named: Any) -> Any:
            if into is self.whole:
                self.part = name
            begun = time.process_time()
            made = plain(*given, **named)
            into[self.part] = into.get(self.part, 0.0) + time.process_time() - begun
            return made

        return timed


def plain_figure() -> float:
    """Give the seconds that one plain figure takes."""
    from matplotlib.figure import Figure

    begun = 0.0
    for i in range(_PLAIN + 1):
        if i == 1:  # the first loads what all need
            begun = time.process_time()
        figure = Figure(figsize=(7.2, 3.6))
        figure.subplots().plot([0, 1], [0, 1])
        figure.savefig(io.StringIO(), format="svg")
    return (time.process_time() - begun) / _PLAIN


def main() -> None:
    """Time and print."""
    ask = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    ask.add_argument("folder", nargs="?", type=Path, help="folder of a trial")
    folder: Path | None = ask.parse_args().folder
    from trialkit.demo import copy_demo
    from trialkit.pipeline import Pipeline

    clock, unit = Clock(), plain_figure()
    for name in DRAWING:
        clock.watch(name, clock.drawn)
    for name in PARTS:
        clock.watch(name, clock.whole)
    with tempfile.TemporaryDirectory() as scratch:
        steps = Pipeline(folder or copy_demo(Path(scratch) / "demo"))
        begun = time.process_time()
        steps.write_report(Path(scratch) / "report.html")
        whole = time.process_time() - begun
    rows = [("reading and computing", whole - sum(clock.whole.values()), 0.0)]
    rows += [(name, spent, clock.drawn.get(name, 0.0)) for name, spent in clock.whole.items()]
    rows.append(("all of it", whole, sum(clock.drawn.values())))
    print(f"{'part':34}{'s':>8}{'plain':>8}{'drawing s':>11}{'plain':>8}")
    for name, spent, drawn in rows:
        print(f"{name:34}{spent:8.2f}{spent / unit:8.0f}{drawn:11.2f}{drawn / unit:8.0f}")


if __name__ == "__main__":
    main()
