"""For notebooks: sliders to try a mist setting before it is grown, and bars while one waits."""

from __future__ import annotations

import html
import io
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from trialkit.errors import TrialkitError
from trialkit.wording import message, spoken

if TYPE_CHECKING:
    from trialkit.chamber import Room, Simulation
    from trialkit.pipeline import Pipeline
    from trialkit.trial import Trial

_NEEDED = ("mist_l_h", "chamber_m3", "air_changes_h")


def schedule_sliders(trial: Trial, *, hours: float = 2.0) -> Any:
    """Give sliders for a timed mist and the room, above the humidity they lead to.

    Parameters
    ----------
    trial : Trial
        Its rig gives the room; what it does not say starts at a middling value and can be
        moved.
    hours : float
        Length of the stretch that is drawn [h].

    Returns
    -------
    ipywidgets.VBox
    """
    import ipywidgets as widgets

    from trialkit.chamber import room_from_rig, simulate

    rig = trial.rig.model_dump(exclude_none=True)
    given = {"mist_l_h": 0.4, "chamber_m3": 2.0, "air_changes_h": 4.0} | rig
    first = next((s for s in trial.primary.levels.values() if s.kind == "timed"), None)

    def slider(name: str, value: float, least: float, most: float, step: float) -> Any:
        said = spoken().text(f"explore.{name}")
        return widgets.FloatSlider(
            value=min(max(value, least), most),
            min=least,
            max=most,
            step=step,
            description=said,
            continuous_update=False,
            readout_format=".4g",
            style={"description_width": "13em"},
            layout={"width": "32em"},
        )

    on = slider("on", (first and first.on_s) or 20, 1, 300, 1)
    off = slider("off", (first and first.off_s) or 220, 10, 3600, 10)
    changes = slider("changes", given["air_changes_h"], 0.2, 30, 0.1)
    room_rh = slider("room_rh", given.get("room_rh_pct", 60), 10, 100, 1)
    output = slider("output", given["mist_l_h"], 0.05, 5, 0.05)
    controls = (on, off, changes, room_rh, output)
    picture = widgets.Image(format="png", layout={"max_width": "44em", "object_fit": "contain"})
    words = widgets.HTML()
    missing = [name for name in _NEEDED if name not in rig]

    def refresh(_: object = None) -> None:
        moved = {
            "air_changes_h": changes.value,
            "room_rh_pct": room_rh.value,
            "mist_l_h": output.value,
        }
        try:
            room = room_from_rig(given | moved).room
            got = simulate(room, {"on_s": on.value, "off_s": off.value}, hours)
            picture.value = _drawn(trial, room, got)
            words.value = _in_words(got, missing)
        except TrialkitError as problem:
            words.value = f"<p>{html.escape(str(problem))}</p>"

    for control in controls:
        control.observe(refresh, names="value")
    refresh()
    return widgets.VBox([*controls, picture, words])


def show_steps(steps: Pipeline) -> Pipeline:
    """Show in a notebook how far a trial is on its way, and what it is doing.

    Parameters
    ----------
    steps : Pipeline

    Returns
    -------
    Pipeline
        The same one.
    """
    from trialkit.pipeline import SHARE

    bar, box = _bar("", sum(SHARE.values()))
    label = box.children[0]

    def tell(share: float, words: str = "") -> None:
        bar.value += share
        label.value = words  # a step that is done has none
        box.layout.display = None if words else "none"

    return steps.watch(tell)


def show_share(words: str = "") -> Callable[[int, int], None]:
    """Show a bar in a notebook; give the function that is told (done, planned).

    Parameters
    ----------
    words : str
        What is waited for; as when a chance is calculated by default.

    Returns
    -------
    callable
    """
    bar, box = _bar(words or str(message("progress.power")), 1.0)

    def tell(done: int, planned: int) -> None:
        bar.max, bar.value = float(planned), float(done)
        box.layout.display = "none" if done >= planned else None

    return tell


def _bar(words: str, total: float) -> tuple[Any, Any]:
    """Put words and a bar under the cell, hidden until there is something to wait for."""
    import ipywidgets as widgets
    from IPython.display import display

    bar = widgets.FloatProgress(value=0.0, min=0.0, max=total)
    box = widgets.HBox([widgets.Label(words), bar])
    box.layout.display = "none"
    display(box)  # type: ignore[no-untyped-call]
    return bar, box


def _in_words(got: Simulation, missing: list[str]) -> str:
    """Say what the setting holds and costs."""
    row = got.summary
    holds = {name: row[f"{name}_rh_pct"] for name in ("low", "high", "mean")}
    text = str(message("explore.holds", water=row["water_l_day"], **holds))
    if missing:
        text += f" {message('explore.assumed', names=missing)}"
    found = "".join(f"<li>{html.escape(str(finding))}</li>" for finding in got.findings)
    return f"<p>{html.escape(text)}</p>" + (f"<ul>{found}</ul>" if found else "")


def _drawn(trial: Trial, room: Room, got: Simulation) -> bytes:
    """Draw humidity and mist of the settled stretch as a PNG."""
    import pandas as pd
    from matplotlib.figure import Figure

    from trialkit.chamber import simulate
    from trialkit.figures import humidity_timeline

    start = pd.Timestamp("2031-01-01", tz="UTC")
    settled = simulate(
        room, got.setting, got.hours, start_rh_pct=min(max(got.low_rh_pct, 0.0), 100.0)
    )
    trace = settled.trace
    times = start + pd.to_timedelta(trace["time_s"], unit="s")
    records = pd.DataFrame({"time": times, "rh_pct": trace["rh_pct"]})
    on = trace["mist_on"].to_numpy() > 0.5
    pulses = pd.DataFrame({"start": times[on], "stop": times[on] + pd.Timedelta(got.step_s, "s")})
    figure = Figure(figsize=(7.2, 2.4), layout="constrained")
    humidity_timeline(
        records,
        pulses,
        start=start,
        stop=times.iloc[-1],
        band=(trial.rig.band_low_rh, trial.rig.band_high_rh),
        ax=figure.subplots(),
    )
    target = io.BytesIO()
    figure.savefig(target, format="png", dpi=90)
    return target.getvalue()
