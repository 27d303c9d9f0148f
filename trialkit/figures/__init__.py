"""Every picture of trialkit: each takes tables and axes, and gives the axes back.

All are drawn in one style (`trialkit.style`), with units, with what the intervals are and on
how many units they rest; names from files are drawn as they are, never as mathematics.
"""

from trialkit.figures.answers import answers_together
from trialkit.figures.checks import (
    influence,
    randomisation_null,
    residuals_by_fitted,
    residuals_by_normal,
    variance_shares,
)
from trialkit.figures.climate import (
    delivered_against_planned,
    exposure_by_run,
    hours_by_band,
    humidity_timeline,
    on_seconds,
)
from trialkit.figures.one_picture import trial_in_one_picture
from trialkit.figures.planning import power_curve, price_sensitivity, savings
from trialkit.figures.range_error import setting_error
from trialkit.figures.settings import setting_curve, setting_map, yield_against_use
from trialkit.figures.trial_tables import TrialTables, trial_tables
from trialkit.figures.yields import (
    effects,
    flush_profiles,
    ratio_to_reference,
    unit_means,
    yield_by_level,
)

__all__ = [
    "TrialTables",
    "answers_together",
    "delivered_against_planned",
    "effects",
    "exposure_by_run",
    "flush_profiles",
    "hours_by_band",
    "humidity_timeline",
    "influence",
    "on_seconds",
    "power_curve",
    "price_sensitivity",
    "randomisation_null",
    "ratio_to_reference",
    "residuals_by_fitted",
    "residuals_by_normal",
    "savings",
    "setting_curve",
    "setting_error",
    "setting_map",
    "trial_in_one_picture",
    "trial_tables",
    "unit_means",
    "variance_shares",
    "yield_against_use",
    "yield_by_level",
]
