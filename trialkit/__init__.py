"""trialkit: design, check, analyse and share misting-schedule trials.

Names are loaded when first used, so importing the package is cheap.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

_HOMES = {
    "trialkit.trial": ("Trial", "read_trial"),
    "trialkit.demo": ("copy_demo", "demo_folder", "write_demo"),
    "trialkit.templates": ("new_trial",),
    "trialkit.status": ("trial_status",),
    "trialkit.design.strata": ("strata",),
    "trialkit.design.assign": ("assign", "read_plan"),
    "trialkit.design.power": ("power",),
    "trialkit.logs.harvest.read": ("read_harvest",),
    "trialkit.logs.climate.read": ("read_environment",),
    "trialkit.logs.mist.read": ("read_mist",),
    "trialkit.logs.mapping.propose": ("propose_mapping",),
    "trialkit.alignment.align": ("align",),
    "trialkit.alignment.checks": ("check_logs",),
    "trialkit.model.fit": ("Fit", "fit"),
    "trialkit.analysis": ("analyse", "Analysis"),
    "trialkit.randomisation": ("randomisation_test",),
    "trialkit.dose": ("dose_response",),
    "trialkit.outcomes": ("other_outcomes",),
    "trialkit.decision.decide": ("decide",),
    "trialkit.decision.pooling": ("pool_trials",),
    "trialkit.report.page": ("write_report",),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}
_MODULES = (
    "air",
    "cautions",
    "chamber",
    "light",
    "figures",
    "errors",
    "columns",
    "structure",
    "model",
)

__all__ = ["__version__", *sorted(_HOME_OF)]  # noqa: PLE0604


def __getattr__(name: str) -> Any:
    if name in _HOME_OF:
        value = getattr(import_module(_HOME_OF[name]), name)
        globals()[name] = value
        return value
    if name in _MODULES:
        return import_module(f"trialkit.{name}")
    raise AttributeError(f"trialkit has no {name!r}")


def __dir__() -> list[str]:
    return sorted([*__all__, *_MODULES])
