"""Write the invented trial of settings as the files a farm would have: always the same bytes."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from trialkit.demo.climate import Climate, make_climate
from trialkit.demo.tuned_truth import BEST, LEFT, LOSS, SPREAD, TOP_G, make_tuned_harvest

if TYPE_CHECKING:
    from trialkit.trial import Trial


def tuned_texts(trial: Trial, assignment: pd.DataFrame) -> dict[str, str]:
    """Make every log of the trial of settings as text.

    Parameters
    ----------
    trial : Trial
        The demo trial of settings, which gives seed, units, dates and rig.
    assignment : DataFrame
        One row per block with its treatments.

    Returns
    -------
    dict
        Path within the folder (names ending in ``.gz`` are packed when written) → text.
    """
    climate_rng, harvest_rng = np.random.default_rng([trial.seed, 7]).spawn(2)
    mist = trial.factors["mist"]
    got = assignment.copy()
    got.loc[(got["batch"] == LEFT[0]) & (got["chamber"] == LEFT[1]), "mist"] = mist.control
    runs = got.drop_duplicates(["batch", "chamber"])
    keys = zip(runs["batch"], runs["chamber"], runs["mist"], strict=True)
    settings = {(batch, tent): mist.levels[level] for batch, tent, level in keys}
    climates = make_climate(trial, settings, {}, climate_rng)
    harvest = make_tuned_harvest(trial, got, harvest_rng)
    picked = harvest.assign(picked=pd.to_datetime(harvest["picked"]).dt.strftime("%d.%m.%Y"))
    columns = ["unit", "picked", "fresh_g", "state"]
    return {
        "README.md": _readme(),
        "logs/harvest.csv": _lines(
            "block code,picked,fresh,state", picked[columns].itertuples(index=False)
        ),
        "logs/climate.csv.gz": _climate_text(trial, climates),
        "logs/mist.csv.gz": _mist_text(trial, climates),
    }


def _lines(head: str, rows: Iterable[Iterable[object]]) -> str:
    return "\n".join([head, *(",".join(map(str, row)) for row in rows)]) + "\n"


def _shown(trial: Trial, times: pd.Series, form: str) -> list[str]:
    """Write moments as the farm's clock showed them."""
    return [str(text) for text in times.dt.tz_convert(trial.zone).dt.strftime(form)]


def _climate_text(trial: Trial, climates: list[Climate]) -> str:
    parts = []
    for c in climates:
        columns = {"time": c.minutes, "temp": c.temp_c, "rh": c.rh_pct, "lux": c.light_lux}
        parts.append(pd.DataFrame(columns).assign(tent=c.chamber))
    table = pd.concat(parts)
    times = _shown(trial, table["time"], "%Y-%m-%d %H:%M")
    values = zip(times, table["tent"], table["temp"], table["rh"], table["lux"], strict=True)
    return _lines("time,tent,temperature,humidity,light", values)


def _mist_text(trial: Trial, climates: list[Climate]) -> str:
    parts = []
    for c in climates:
        on, off = (c.switches[c.switches["state"] == s]["time"] for s in (True, False))
        seconds = (off.to_numpy() - on.to_numpy()) / np.timedelta64(1, "s")
        parts.append(pd.DataFrame({"time": on, "tent": c.chamber, "s": seconds.astype(int)}))
    table = pd.concat(parts)
    times = _shown(trial, table["time"], "%Y-%m-%d %H:%M:%S")
    return _lines("mist from,tent,seconds", zip(times, table["tent"], table["s"], strict=True))


def _readme() -> str:
    lines = [
        "# An invented trial of settings",
        "",
        "Nothing here is real: no farm, no tents, no mushrooms. `trialkit.write_demo` makes the",
        "files from the seed in `trial.toml`, so that every step can be tried and the answer",
        "compared with the truth below. `trial.toml` itself is written by hand.",
        "",
        "## What is true here",
        "",
        f"The best setting is {BEST['mist']:g} % mist and {BEST['light']:g} lux: a block gives",
        f"{TOP_G:.0f} g there on average. Away from it, yield falls as a hill does, with the",
        "square of the distance:",
        "",
        "| setting | best | lost this far away | so much of the yield |",
        "|---|---|---|---|",
    ]
    units = {"mist": "% of the time", "light": "lux"}
    for name, (share, away) in LOSS.items():
        lines.append(
            f"| {name} | {BEST[name]:g} {units[name]} | {away:g} {units[name]} "
            f"| {100 * share:.0f} % |"
        )
    lines += ["", "| part of chance | standard deviation, % of the mean |", "|---|---|"]
    lines += [f"| {term} | {100 * sd:.0f} |" for term, sd in SPREAD.items()]
    batch, tent = LEFT
    lines += [
        "",
        "## A mistake made on purpose",
        "",
        f"The timer of tent {tent} in batch {batch} was left at today's setting. The mist log",
        "shows it, and yield there is that of the mist which was really given.",
    ]
    return "\n".join([*lines, ""])
