"""trialkit: design, check, analyse and share misting-schedule trials.

Names are loaded when first used, so importing the package is cheap.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:  # what editors and type checkers see; a test holds it equal to _HOMES
    from trialkit import air as air
    from trialkit import cautions as cautions
    from trialkit import chamber as chamber
    from trialkit import columns as columns
    from trialkit import errors as errors
    from trialkit import figures as figures
    from trialkit import light as light
    from trialkit import model as model
    from trialkit import structure as structure
    from trialkit.alignment.align import align as align
    from trialkit.alignment.checks import check_logs as check_logs
    from trialkit.analysis.analyse import analyse as analyse
    from trialkit.analysis.dose import dose_response as dose_response
    from trialkit.analysis.outcomes import other_outcomes as other_outcomes
    from trialkit.analysis.randomisation import randomisation_test as randomisation_test
    from trialkit.analysis.result import Analysis as Analysis
    from trialkit.archive.for_r import write_for_r as write_for_r
    from trialkit.archive.write import write_archive as write_archive
    from trialkit.decision.decide import decide as decide
    from trialkit.decision.pooling import pool_trials as pool_trials
    from trialkit.demo import copy_demo as copy_demo
    from trialkit.demo import demo_folder as demo_folder
    from trialkit.demo import write_demo as write_demo
    from trialkit.design.plan import assign as assign
    from trialkit.design.plan import read_plan as read_plan
    from trialkit.design.power.power import power as power
    from trialkit.design.strata.strata import strata as strata
    from trialkit.logs.climate.large import read_large_environment as read_large_environment
    from trialkit.logs.climate.read import read_environment as read_environment
    from trialkit.logs.harvest.read import read_harvest as read_harvest
    from trialkit.logs.mapping.propose import propose_mapping as propose_mapping
    from trialkit.logs.mist.read import read_mist as read_mist
    from trialkit.model.fit import Fit as Fit
    from trialkit.model.fit import fit as fit
    from trialkit.report.page import write_report as write_report
    from trialkit.status import trial_status as trial_status
    from trialkit.templates import new_trial as new_trial
    from trialkit.today.look import trial_today as trial_today
    from trialkit.trial import Trial as Trial
    from trialkit.trial import read_trial as read_trial

__version__ = "0.2.0"

# Where each public name lives.
_HOMES = {
    "trialkit.trial": ("Trial", "read_trial"),
    "trialkit.demo": ("copy_demo", "demo_folder", "write_demo"),
    "trialkit.templates": ("new_trial",),
    "trialkit.status": ("trial_status",),
    "trialkit.today.look": ("trial_today",),
    "trialkit.design.strata.strata": ("strata",),
    "trialkit.design.plan": ("assign", "read_plan"),
    "trialkit.design.power.power": ("power",),
    "trialkit.logs.harvest.read": ("read_harvest",),
    "trialkit.logs.climate.large": ("read_large_environment",),
    "trialkit.logs.climate.read": ("read_environment",),
    "trialkit.logs.mist.read": ("read_mist",),
    "trialkit.logs.mapping.propose": ("propose_mapping",),
    "trialkit.alignment.align": ("align",),
    "trialkit.alignment.checks": ("check_logs",),
    "trialkit.model.fit": ("Fit", "fit"),
    "trialkit.analysis.analyse": ("analyse",),
    "trialkit.analysis.result": ("Analysis",),
    "trialkit.analysis.randomisation": ("randomisation_test",),
    "trialkit.analysis.dose": ("dose_response",),
    "trialkit.analysis.outcomes": ("other_outcomes",),
    "trialkit.decision.decide": ("decide",),
    "trialkit.decision.pooling": ("pool_trials",),
    "trialkit.report.page": ("write_report",),
    "trialkit.archive.for_r": ("write_for_r",),
    "trialkit.archive.write": ("write_archive",),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}
_MODULES = (
    "air",
    "cautions",
    "chamber",
    "columns",
    "errors",
    "figures",
    "light",
    "model",
    "structure",
)

__all__ = [
    "Analysis",
    "Fit",
    "Trial",
    "__version__",
    "align",
    "analyse",
    "assign",
    "check_logs",
    "copy_demo",
    "decide",
    "demo_folder",
    "dose_response",
    "fit",
    "new_trial",
    "other_outcomes",
    "pool_trials",
    "power",
    "propose_mapping",
    "randomisation_test",
    "read_environment",
    "read_harvest",
    "read_large_environment",
    "read_mist",
    "read_plan",
    "read_trial",
    "strata",
    "trial_status",
    "trial_today",
    "write_archive",
    "write_demo",
    "write_for_r",
    "write_report",
]


if not TYPE_CHECKING:  # a type checker sees the imports above, and refuses a misspelt name

    def __getattr__(name: str) -> object:
        if name in _HOME_OF:
            value = getattr(import_module(_HOME_OF[name]), name)
            globals()[name] = value
            return value
        if name in _MODULES:
            return import_module(f"trialkit.{name}")
        raise AttributeError(f"trialkit has no {name!r}")


def __dir__() -> list[str]:
    return sorted([*__all__, *_MODULES])
