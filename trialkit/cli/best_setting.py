"""The screen and the files of a trial of ranges."""

from __future__ import annotations

from typing import TYPE_CHECKING

from trialkit.cli.command import DONE
from trialkit.cli.files import write_tables
from trialkit.cli.screen import Screen
from trialkit.pipeline import Pipeline
from trialkit.triage import for_growers
from trialkit.wording import message, spoken

if TYPE_CHECKING:
    from trialkit.decision.best_setting import BestSetting


def tell_best_setting(screen: Screen, job: Pipeline) -> int:
    """Print and write which setting is best, and what each choice gives; give the exit code."""
    from trialkit.decision.choice_table import (
        choice_caption,
        choice_heads,
        setting_formats,
        told_choices,
    )
    from trialkit.display import show_table

    found, say = job.best_setting, spoken()
    screen.record |= {
        "trial": job.trial.title,
        "sentence": found.sentence,
        "said": [str(line) for line in found.said],
        "tests": found.tests,
        "surface": found.limits,
    }
    screen.heading(message("cli.analyse.answer"))
    screen.say(found.sentence, style="bold")
    for line in found.said[1:]:
        screen.say("")
        screen.say(line)
    screen.say("")
    tables = {"analysed": job.data.table, "tests": found.tests, "surface": found.limits}
    if found.choices is not None:
        names = [s.name for s in found.surface.settings]
        shown = found.choices.table
        columns = ["choice", *names, "yield", "yield_change_low", "yield_change_high"]
        columns += [name for name in ("use_change_pct", "worth_change", "regret") if name in shown]
        screen.show(
            show_table(
                told_choices(found.choices, say, seen=found.region.seen),
                columns=columns,
                formats=setting_formats(found.surface, say),
                heads=choice_heads(job.trial, found.surface, found.choices, columns, say),
                caption=say.text(choice_caption(found.ahead)),
                notes=(say.text("best.note"),),
            )
        )
        screen.say("")
        screen.record["choices"] = shown
        tables |= {"choices": shown, "frontier": found.choices.frontier}
    told = set(job.findings())  # said before the answer already
    screen.findings(for_growers(f for f in found.findings if f not in told))
    screen.keep(found.findings)
    _tell_delivered(screen, found)
    tables |= {f"surface_by_{d.exposure}": d.limits for d in found.delivered}
    screen.wrote(write_tables(job.trial.folder / "results", tables))
    return DONE


def _tell_delivered(screen: Screen, found: BestSetting) -> None:
    """Say what the surfaces over what chambers really got show."""
    from trialkit.decision.setting_sentences import say_delivered

    said = [say_delivered(d) for d in found.delivered]
    screen.record["delivered"] = [str(line) for line in said]
    if not said:
        return
    screen.heading(message("delivered.heading"))
    for line in (*said, message("delivered.note")):
        screen.say(line, indent="  ")
    screen.findings(list(dict.fromkeys(f for d in found.delivered for f in d.findings)))
    screen.say("")
