"""Settings given as ranges: seconds for a plan, a surface with its joint limits, and a slider.

    python benchmarks/settings_speed.py

Plans of 24 chamber runs in two settings, both on runs, and light on two shelves of each; the
surface of the invented trial of ranges with the region that may hold the best setting and limits
over the whole range; one redraw of the sliders of prices. Prints seconds of processor time of one
core, and of the wall beside them; other work on the machine lengthens only the latter much.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import trialkit as tk
from trialkit.analysis.tuned import analyse_settings
from trialkit.demo import copy_demo
from trialkit.explore_choices import choice_sliders
from trialkit.pipeline import Pipeline
from trialkit.surface.best_region import best_region
from trialkit.surface.limits import surface_limits

TRIAL = """
[trial]
title = "Best mist and light"
seed = 7
[units]
structure = "(batch * chamber) / shelf / block"
batch = 4
chamber = 6
shelf = 2
block = 2
flushes = 1
[factors.mist]
applied_to = "batch:chamber"
control = "usual"
levels.usual = {{ on_s = 20, off_s = 220 }}
range = {{ duty_pct = [2, 10], on_s = 20, step = 0.5 }}
[factors.light]
applied_to = "{light}"
control = "today"
levels.today = {{ lux = 300, hours = 12 }}
range = {{ lux = [50, 1000], step = 50 }}
[question]
primary = "mist"
"""


def main() -> None:
    """Time each, and print it."""
    for light in ("batch:chamber", "batch:chamber:shelf"):
        with tempfile.TemporaryDirectory() as spare:
            (Path(spare) / "trial.toml").write_text(TRIAL.format(light=light), encoding="utf-8")
            trial = tk.read_trial(spare)
            _told(f"plan, mist on 24 runs, light on {light}", lambda trial=trial: tk.assign(trial))
    with tempfile.TemporaryDirectory() as spare:
        job = Pipeline(copy_demo(spare, tuned=True))
        trial, data = job.trial, job.data

        def surface() -> None:
            fitted = analyse_settings(trial, data)
            best_region(fitted, seed=trial.seed)
            surface_limits(fitted, seed=trial.seed)

        _told("surface, region and joint limits", surface)
        _told("the same again", surface)
        sliders = choice_sliders(trial, data, job.best_setting)
        for value in (12, 16, 20):
            _told("slider", lambda value=value: setattr(sliders.children[3], "value", value))


def _told(what: str, work: Callable[[], object]) -> None:
    begun, busy = time.perf_counter(), time.process_time()
    work()
    wall, cpu = time.perf_counter() - begun, time.process_time() - busy
    print(f"{what}: {cpu:.2f} s of computing, {wall:.2f} s on the clock", flush=True)


if __name__ == "__main__":
    main()
