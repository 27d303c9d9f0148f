"""The command that sizes up a farm: what a number of chambers needs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from trialkit.cli.command import DONE, Folder, command, trial_folder
from trialkit.cli.screen import Screen
from trialkit.wording import message

if TYPE_CHECKING:
    from trialkit.trial import Trial


@command("trialkit size my-trial", "trialkit size my-trial --chambers 1,4,10 --co2 800")
def size(
    screen: Screen,
    folder: Folder = Path(),
    chambers: Annotated[
        str, typer.Option(metavar="LIST", help="Numbers of chambers, with commas.")
    ] = "1,2,4,10",
    low: Annotated[
        float | None, typer.Option(metavar="PERCENT", help="Band: lowest; that of [rig].")
    ] = None,
    high: Annotated[
        float | None, typer.Option(metavar="PERCENT", help="Band: highest; that of [rig].")
    ] = None,
    co2: Annotated[
        float, typer.Option(metavar="PPM", help="Most CO2 that the crop should have.")
    ] = 1000.0,
    duty: Annotated[
        float,
        typer.Option(min=1, max=100, metavar="PERCENT", help="Most time the fogger should run."),
    ] = 50.0,
    refill: Annotated[
        float, typer.Option(min=0.1, metavar="DAYS", help="Days between refills.")
    ] = 1.0,
) -> int:
    """Say what mist, air, water, power and parts your chambers need.

    From [rig] of the trial file, calculated, not measured. What is not in [rig] is assumed and
    told, or not given. Ducts (duct_m, duct_mm, duct_bends), the fan curve (fan_m3_h, fan_pa) and
    the water (water_solids_mg_l) count where they stand there.
    """
    import trialkit as tk
    from trialkit.chamber import ChamberError, read_supply, room_from_rig, size_up

    trial = tk.read_trial(trial_folder(folder))
    low = trial.rig.band_low_rh if low is None else low
    high = trial.rig.band_high_rh if high is None else high
    if low is None or high is None:
        raise ChamberError(str(message("cli.size.no_band")))
    made = room_from_rig(trial.rig)
    blocks = blocks_each(trial)
    found = size_up(
        made.room,
        low_rh=low,
        high_rh=high,
        chambers=_numbers(chambers),
        blocks=blocks,
        co2_limit_ppm=co2,
        most_duty=duty / 100,
        refill_days=refill,
        prices=trial.prices,
        supply=read_supply(trial.rig),
    )
    screen.record |= {
        "trial": trial.title,
        "table": found.table,
        "limits": found.limits,
        "supply": found.supply,
        "parts": found.parts,
    }
    screen.say(message("cli.size.blocks", blocks=blocks))
    screen.say("")
    screen.show(found.show())
    screen.heading(message("cli.size.limits"))
    for row in found.limits.to_dict("records"):
        limit = message(f"chamber.limit.{row['limit'].replace(' ', '_')}")
        numbers = {name: row[name] for name in ("needed", "available", "unit")}
        screen.say(message("cli.size.limit", limit=limit, **numbers), indent="  ")
    screen.heading(message("cli.size.detail"))
    screen.show(found.show_supply())
    screen.heading(message("cli.size.parts"))
    screen.show(found.show_parts())
    told = [*made.findings, *found.findings]
    if told:
        screen.heading(message("cli.size.assumed"))
        screen.findings(told)
    return DONE


def blocks_each(trial: Trial) -> int:
    """Give the blocks that stand in one chamber at a time."""
    table = trial.unit_table()
    run = [name for name in ("batch", "chamber") if name in table]
    if "chamber" not in run:
        return len(table)
    return int(table.groupby(run).size().max())


def _numbers(listed: str) -> list[int]:
    """Read numbers with commas between them."""
    try:
        return [int(part) for part in listed.split(",")]
    except ValueError:
        raise typer.BadParameter(
            f"{listed!r} is no list of whole numbers such as 1,4,10", param_hint="--chambers"
        ) from None
