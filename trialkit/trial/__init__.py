"""The trial file: its text, its sections, their checks, and the `Trial` made from them."""

from trialkit.trial.deviations import Deviation
from trialkit.trial.read import read_trial
from trialkit.trial.trial import BatchDates, Factor, LogSpec, Setting, Trial

__all__ = ["BatchDates", "Deviation", "Factor", "LogSpec", "Setting", "Trial", "read_trial"]
