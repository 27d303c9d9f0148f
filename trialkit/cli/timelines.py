"""Pictures that `trialkit check` leaves beside its tables: what each chamber's air did."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trialkit.file_names import file_name
from trialkit.whole_files import whole_folder

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

    from trialkit.alignment.result import Aligned
    from trialkit.logs.climate.large import LargeLog
    from trialkit.logs.log import Log

_ROW_IN = 1.1  #: Height of the axes of one batch.
_GAP_IN = 0.52  #: Between two, for the days below one and the title of the next.
_TOP_IN = 0.3  #: For the title of the first.
_BESIDE_IN = {"left": 0.62, "right": 0.12}  #: Every one has the same words beside it.
_DAYS_PT = 38.0  #: For the days and their label below the last.
_LINE_PT = 11.5  #: For each line of the note.


def write_timelines(folder: Path, data: Aligned, logs: Mapping[str, Log]) -> list[Path]:
    """Draw the humidity, mist and flagged times of each chamber, one row a batch.

    Parameters
    ----------
    folder : Path
        Where the pictures go, all of them or none.
    data : Aligned
    logs : mapping
        With ``"environment"``; ``"mist"`` is drawn where there is one.

    Returns
    -------
    list of Path
        One PNG per chamber that has humidity records; none without a climate log.
    """
    if "environment" not in logs or "chamber" not in data.runs:
        return []
    climate = _drawn(logs["environment"], data)
    if climate is None or "rh_pct" not in climate or climate["rh_pct"].isna().all():
        return []
    made: list[Path] = []
    with whole_folder(folder) as spare:
        for chamber, records in climate.groupby("chamber", observed=True, sort=True):
            runs = data.runs[(data.runs["chamber"] == chamber) & (data.runs["window"] == "whole")]
            runs = runs[runs["start"] < runs["stop"]]  # neither is so where a date is not known
            if len(runs):
                name = file_name(f"humidity_{chamber}", ".png", {path.name for path in made})
                _draw(str(chamber), records, runs, data, logs).savefig(spare / name, dpi=130)
                made.append(folder / name)
    return made


def _drawn(log: Log | LargeLog, data: Aligned) -> pd.DataFrame | None:
    """Give the records that are drawn; of a log too large for memory those that were kept."""
    from trialkit.logs.log import Log

    if isinstance(log, Log):
        return log.table
    return None if data.check is None else data.check.climate


def _draw(
    chamber: str, records: pd.DataFrame, runs: pd.DataFrame, data: Aligned, logs: Mapping[str, Log]
) -> Figure:
    from matplotlib.figure import Figure

    from trialkit.alignment.checks import doubted_humidity, mist_troubles
    from trialkit.figure_frame import place_rows
    from trialkit.figures import humidity_timeline
    from trialkit.style import WIDTH, drawing, note
    from trialkit.wording import spoken

    mist = logs["mist"].table if "mist" in logs else None
    if mist is not None:
        mist = mist[mist["chamber"] == chamber]
    band = (data.settings.band_low_rh, data.settings.band_high_rh)
    with drawing():
        figure = Figure(figsize=(WIDTH, _ROW_IN * len(runs)))
        axes = figure.subplots(len(runs), 1, squeeze=False)[:, 0]
    for ax, run in zip(axes, runs.to_dict("records"), strict=True):
        start, stop = run["start"], run["stop"]
        inside = records[(records["time"] >= start) & (records["time"] <= stop)]
        touching = doubted_humidity(data.check, chamber, start, stop)
        humidity_timeline(
            inside,
            mist,
            flags=touching,
            troubles=mist_troubles(data.check, chamber, start, stop),
            start=start,
            origin=start,
            stop=stop,
            band=band,
            zone=data.trial.time_zone,
            ax=ax,
        )
        words = [chamber, str(run.get("batch", "")), _level(run, data)]
        with drawing():
            ax.set_title(" · ".join(w for w in words if w and w != "None"), fontsize=9)
    with drawing():
        axes[-1].set_xlabel(spoken().text("picture.days"))
        note(axes[-1], spoken().text("figure.timeline.note"), below=_DAYS_PT, whole=True)
    lines = axes[-1].texts[-1].get_text().count("\n") + 1
    below = (_DAYS_PT + _LINE_PT * lines + 4.0) / 72
    place_rows(figure, row=_ROW_IN, apart=_GAP_IN, above=_TOP_IN, below=below, **_BESIDE_IN)
    return figure


def _level(run: Mapping[Any, Any], data: Aligned) -> str:
    """Give the level of the primary treatment that a chamber run received, if it is one."""
    primary = data.trial.primary
    if not set(primary.applied_to) <= set(run) or primary.name not in data.table:
        return ""
    own = data.table
    for name in primary.applied_to:
        own = own[own[name].astype(str) == str(run[name])]
    levels = own[primary.name].dropna().astype(str).unique()
    return str(levels[0]) if len(levels) == 1 else ""
