"""Write the invented scenario as the files a farm would have: the same bytes every time."""

from __future__ import annotations

import gzip
from collections.abc import Iterable
from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd

from trialkit.demo.climate import Climate, make_climate
from trialkit.demo.faults import FAULTS, planted, spoil_climate, spoil_harvest
from trialkit.demo.truth import EFFECTS, FLUSH_SHARE, MEAN_G, SPREAD, make_harvest
from trialkit.trial import Trial


def demo_texts(trial: Trial, assignment: pd.DataFrame) -> dict[str, str]:
    """Make every log of the scenario as text.

    Parameters
    ----------
    trial : Trial
        The demo trial, which gives seed, units, dates and rig.
    assignment : DataFrame
        One row per block with its treatments.

    Returns
    -------
    dict
        Path within the folder (names ending in ``.gz`` are packed when written) → text.
    """
    climate_rng, harvest_rng = np.random.default_rng([trial.seed, 7]).spawn(2)
    runs = assignment.drop_duplicates(["batch", "chamber"])
    schedules = trial.factors["schedule"].levels
    mist = {
        (batch, tent): schedules[level]
        for batch, tent, level in zip(runs["batch"], runs["chamber"], runs["schedule"], strict=True)
    }
    fan = planted("failed fan")
    assert fan.start is not None
    assert fan.stop is not None
    fan_off = {(fan.batch, fan.chamber): (fan.start, fan.stop)}
    climates = make_climate(trial, mist, fan_off, climate_rng)
    out = {
        "README.md": _readme(),
        "logs/harvest.csv": _harvest_text(
            spoil_harvest(make_harvest(trial, assignment, harvest_rng))
        ),
        "logs/mist.csv.gz": _mist_text(trial, climates),
    }
    for tent in trial.levels["chamber"]:
        out[f"logs/climate_{tent}.csv.gz"] = _climate_text(trial, tent, climates)
    return out


def write_texts(folder: Path, texts: dict[str, str]) -> list[Path]:
    """Write texts below a folder, packing those whose names end in ``.gz``; no time stamps."""
    wrote = []
    for name, text in texts.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        data = text.encode("utf-8")
        path.write_bytes(gzip.compress(data, 9, mtime=0) if name.endswith(".gz") else data)
        wrote.append(path)
    return wrote


def _lines(head: str, rows: Iterable[str]) -> str:
    return "\n".join([head, *rows]) + "\n"


def _harvest_text(harvest: pd.DataFrame) -> str:
    columns = ("unit", "flush", "picked", "fresh_g", "caps", "state", "remarks")
    picked = harvest.assign(picked=pd.to_datetime(harvest["picked"]).dt.strftime("%d.%m.%Y"))
    return _lines(
        "block code,flush,picked,fresh,caps,state,remarks",
        (",".join(map(str, row)) for row in picked[list(columns)].itertuples(index=False)),
    )


def _climate_text(trial: Trial, tent: str, climates: list[Climate]) -> str:
    whole = pd.concat(
        [
            pd.DataFrame(
                {"time": c.minutes, "temp_c": c.temp_c, "rh_pct": c.rh_pct, "lux": c.light_lux}
            )
            for c in climates
            if c.chamber == tent
        ]
    ).reset_index(drop=True)
    spoilt = spoil_climate(tent, whole)
    times = _logger_clock(trial, tent, spoilt)
    comma = planted("decimal commas").chamber == tent
    columns = (times, spoilt["temp_c"], spoilt["rh_pct"], spoilt["lux"])
    if comma:
        rows = (
            f"{t};{temp:.1f};{rh:.1f};{lux}".replace(".", ",")
            for t, temp, rh, lux in zip(*columns, strict=True)
        )
        return _lines("time;temperature;humidity;light", rows)
    rows = (f"{t},{temp:.1f},{rh:.1f},{lux}" for t, temp, rh, lux in zip(*columns, strict=True))
    return _lines("time,temperature,humidity,light", rows)


def _logger_clock(trial: Trial, tent: str, table: pd.DataFrame) -> list[str]:
    """Write the time of each record as its logger's clock showed it.

    A clock that missed the change to summer time shows hours that local time never had.
    """
    local = table["shown"].dt.tz_convert(trial.zone).dt.tz_localize(None)
    late = table["shown"] != table["time"]
    winter = table["time"].dt.tz_localize(None) + pd.Timedelta(hours=1)
    return _stamps(local.where(~late, winter), "m")


def _stamps(local: pd.Series, unit: Literal["m", "s"]) -> list[str]:
    """Write local times as text, to the minute or the second."""
    text = np.datetime_as_string(local.to_numpy(dtype="datetime64[s]"), unit=unit)
    return [stamp.replace("T", " ") for stamp in text.tolist()]


def _mist_text(trial: Trial, climates: list[Climate]) -> str:
    events = pd.concat([c.switches.assign(tent=c.chamber) for c in climates])
    events = events.sort_values(["time", "tent", "state"], kind="stable")
    local = _stamps(events["time"].dt.tz_convert(trial.zone).dt.tz_localize(None), "s")
    words = np.where(events["state"].to_numpy(dtype=bool), "on", "off")
    return _lines(
        "time,tent,mist",
        (f"{t},{tent},{w}" for t, tent, w in zip(local, events["tent"], words, strict=True)),
    )


def _readme() -> str:
    share = ", ".join(f"{100 * s:.0f} %" for s in FLUSH_SHARE)
    lines = [
        "# An invented trial",
        "",
        "Nothing here is real: no farm, no tents, no mushrooms. `trialkit.write_demo` makes the",
        "files from the seed in `trial.toml`, so that every step can be tried and the answer",
        "compared with the truth below. `trial.toml` itself is written by hand.",
        "",
        "## What is true here",
        "",
        f"A block under the usual schedule and dim light gives {MEAN_G:.0f} g on average over all",
        f"flushes ({share} in flush 1, 2, 3).",
        "",
        "| treatment | level | true effect on fresh weight |",
        "|---|---|---|",
    ]
    for factor, effects in EFFECTS.items():
        lines += [f"| {factor} | {level} | {100 * e:+.1f} % |" for level, e in effects.items()]
    lines += ["", "| part of chance | standard deviation, % of the mean |", "|---|---|"]
    lines += [f"| {term} | {100 * sd:.0f} |" for term, sd in SPREAD.items()]
    lines += ["", "## Faults planted on purpose", "", "| file | fault | what |", "|---|---|---|"]
    lines += [f"| `{fault.file}` | {fault.kind} | {fault.what} |" for fault in FAULTS]
    return "\n".join([*lines, ""])
