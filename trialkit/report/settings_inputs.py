"""What the report of a trial of ranges is made from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from trialkit.columns import find_column, house_unit
from trialkit.wording import Units

if TYPE_CHECKING:
    from trialkit.alignment.result import Aligned
    from trialkit.decision.best_setting import BestSetting
    from trialkit.design.plan import Plan
    from trialkit.logs.log import Log
    from trialkit.trial import Trial
    from trialkit.wording import Wording


@dataclass(frozen=True)
class SettingsInputs:
    """What the report of a trial of ranges is made from."""

    trial: Trial
    found: BestSetting
    data: Aligned
    logs: Mapping[str, Log]
    plan: Plan | None
    say: Wording

    @property
    def names(self) -> list[str]:
        """Names of the settings."""
        return [s.name for s in self.found.surface.settings]

    def label(self, i: int) -> str:
        """Name a setting with its unit."""
        setting = self.found.surface.settings[i]
        unit = self.unit(i)
        return f"{setting.name} [{unit}]" if unit else setting.name

    def unit(self, i: int) -> str:
        """Give the unit of a setting, in the language of the page."""
        unit = self.found.surface.settings[i].unit
        return self.say.either(f"glossary_unit.{unit}", unit)

    @property
    def quantity(self) -> str:
        """What a block gave, with the unit."""
        response, own = self.found.surface.response, self.trial.columns
        column, unit = find_column(response, own), house_unit(response, own)
        label = response if column is None else column.label
        smallest = Units((self.trial.structure.smallest[-1],), 1)
        key = "quantity.total" if self.trial.flushes > 1 else "quantity.whole"
        n = self.say.number(self.trial.flushes, 0)
        words = self.say.text(key, label=label, smallest=smallest, n=n)
        return f"{words} [{unit}]" if unit else words

    @property
    def level(self) -> float:
        """Confidence of limits."""
        return self.found.surface.level
