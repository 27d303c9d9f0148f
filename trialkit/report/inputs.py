"""Everything a report is made from, gathered in one place."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trialkit.columns import find_column, house_unit
from trialkit.columns.response import Better, response_of
from trialkit.errors import Finding, TrialkitError
from trialkit.folder import LOG_KINDS, read_climate, read_log, read_plan_there
from trialkit.wording import Units, Wording, finding, message, units_in_words

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.alignment.result import Aligned
    from trialkit.analysis.harvest_in import Progress
    from trialkit.analysis.result import Analysis
    from trialkit.decision.decide import Verdict
    from trialkit.design.plan import Plan
    from trialkit.figures import TrialTables
    from trialkit.logs.log import Log
    from trialkit.model.checks.diagnosis import Diagnosis
    from trialkit.trial import Factor, Trial


#: Code of the finding that a plan is there but cannot be shown.
PLAN_NOT_SHOWN = "plan_not_shown"


@dataclass(frozen=True)
class PageInputs:
    """What the sections of a report draw on.

    Parameters
    ----------
    trial : Trial
    result : Analysis
    verdict : Verdict
    say : Wording
    data : Aligned
    logs : mapping
        ``"harvest"``, ``"environment"``, ``"mist"`` → `Log`, those there are.
    plan : Plan or None
    redrawn : object or None
        Result of the randomisation test, if it was made.
    more_findings : tuple of Finding
        Doubtful things met while gathering.
    """

    trial: Trial
    result: Analysis
    verdict: Verdict
    say: Wording
    data: Aligned
    logs: Mapping[str, Log]
    plan: Plan | None
    redrawn: Any = None
    more_findings: tuple[Finding, ...] = ()

    @property
    def factor(self) -> Factor:
        """The treatment the question is about."""
        return self.trial.primary

    @property
    def reference(self) -> str:
        """The level the others are compared with."""
        return self.factor.reference

    @cached_property
    def levels(self) -> list[str]:
        """Levels of the primary treatment, the reference first: this order fixes colours."""
        others = [x for x in self.factor.levels if x != self.reference]
        return [self.reference, *others]

    @cached_property
    def units(self) -> str:
        """What receives the primary treatment, in the plural."""
        return units_in_words(self.factor.applied_to)

    @cached_property
    def basis(self) -> str:
        """How many units the comparison of the primary treatment rests on, in words."""
        return self.say.text("figure.basis", n=self.say.number(self.count(), 0), units=self.units)

    def count(self, factor: Factor | None = None) -> int:
        """Count the units of a treatment's stratum that are in the model."""
        term = list((factor or self.factor).applied_to)
        if not set(term) <= set(self.used.columns):  # one row is one smallest unit
            return len(self.used)
        return len(self.used[term].drop_duplicates())

    @property
    def response(self) -> str:
        """Column analysed."""
        return self.result.terms.response

    @property
    def unit(self) -> str:
        """Unit of the response."""
        return house_unit(self.response, self.trial.columns)

    @cached_property
    def per_flush(self) -> bool:
        """Whether a row of the analysis is one flush, of several."""
        return "flush" in self.result.terms.fixed.split(" + ")

    @cached_property
    def summed(self) -> int:
        """Flushes that a mean of this page adds up."""
        return self.result.flushes_summed

    @cached_property
    def quantity(self) -> str:
        """What means and differences are, in words with the unit: per block as one counts it."""
        key = "quantity.flush" if self.per_flush else "quantity.whole"
        if self.summed > 1:
            key = "quantity.total"
        words = self._quantity(key)
        if self.result.scale == "logarithm":
            words = self.say.text("quantity.geometric", quantity=words)
        return words

    @cached_property
    def row_quantity(self) -> str:
        """What one weight is, in words with the unit."""
        return self._quantity("quantity.flush" if self.per_flush else "quantity.whole")

    @property
    def noun(self) -> str:
        """What is compared, in words; *yield* is said of yields only."""
        return self.say.written(response_of(self.response, self.trial.harvest_columns).noun)

    @property
    def better(self) -> Better:
        """Whether more or less of the response is better."""
        return response_of(self.response, self.trial.harvest_columns).better

    @property
    def smallest(self) -> Units:
        """Name of the smallest unit, such as *block*."""
        return Units((self.trial.structure.smallest[-1],), 1)

    @property
    def depends_on(self) -> str:
        """What the answer depends on, in words; empty where it was not found."""
        on = self.verdict.depends_on
        return self.say.written(Units(("batch",), 1)) if on == "batch" else on

    def _quantity(self, key: str) -> str:
        column = find_column(self.response, self.trial.columns)
        label = self.response if column is None else column.label
        n = self.say.number(self.summed, 0)
        words = self.say.text(key, label=label, smallest=self.smallest, n=n)
        return f"{words} [{self.unit}]" if self.unit else words

    @cached_property
    def progress(self) -> Progress:
        """Which batches are in, at least in part, and which are to come."""
        from trialkit.analysis.harvest_in import progress

        return progress(self.trial, self.data.table)

    @cached_property
    def rows_missing(self) -> int:
        """Rows without a value, of batches that have begun to come in."""
        from trialkit.analysis.harvest_in import has_begun
        from trialkit.analysis.table import analysis_table

        table = analysis_table(self.trial, self.data, self.response)
        return int((has_begun(table) & ~table.index.isin(self.result.fit.table.index)).sum())

    @cached_property
    def used(self) -> pd.DataFrame:
        """The rows the model was fitted to, with all their columns."""
        from trialkit.analysis.table import analysis_table

        table = analysis_table(self.trial, self.data, self.response)
        return table.loc[self.result.fit.table.index]

    @cached_property
    def tables(self) -> TrialTables:
        """What the trial in one picture shows."""
        from trialkit.figures import trial_tables

        return trial_tables(self.result, self.verdict, wording=self.say)

    @cached_property
    def diagnosis(self) -> Diagnosis:
        """The checks of the fitted model."""
        return self.result.fit.diagnose()

    @property
    def level(self) -> str:
        """Confidence of the limits, in words."""
        return self.say.confidence(self.trial.question.level)

    @property
    def margin(self) -> str:
        """Accepted loss, in words."""
        return f"{self.say.number(self.trial.question.margin_pct)} %"

    @cached_property
    def findings(self) -> tuple[Finding, ...]:
        """Everything doubtful, each once."""
        found = [*self.more_findings]
        found += [f for log in self.logs.values() for f in log.findings]
        found += [*self.verdict.findings, *self.result.findings, *self.diagnosis.findings]
        if self.redrawn is not None:
            found += self.redrawn.findings
        return tuple(dict.fromkeys(found))

    def local(self, moment: Any) -> Any:
        """Give a moment in the trial's time zone; None stays None."""
        if moment is None or moment != moment:
            return None
        return moment.astimezone(self.trial.zone)


def plan_for_page(trial: Trial) -> tuple[Plan | None, list[Finding]]:
    """Read the trial's plan; one that is there but broken becomes a finding of the page."""
    try:
        return read_plan_there(trial), []
    except (TrialkitError, OSError) as problem:
        return None, [finding(PLAN_NOT_SHOWN, "caution", problem=str(problem))]


def logs_for_page(trial: Trial) -> tuple[dict[str, Any], list[Finding]]:
    """Read the trial's logs; one that cannot be read becomes a finding of the page."""
    out: dict[str, Any] = {}
    found: list[Finding] = []
    for kind in LOG_KINDS:
        try:
            log = read_climate(trial) if kind == "environment" else read_log(trial, kind)
        except (TrialkitError, OSError) as problem:
            log_kind = message(f"log_kind.{kind}")
            found.append(finding("log_not_shown", "caution", log=log_kind, problem=str(problem)))
            continue
        if log is not None:
            out[kind] = log
    return out, found


def file_hash(path: Path) -> tuple[str, int]:
    """Give the SHA-256 of a file and its size in bytes."""
    data = path.read_bytes()
    return hashlib.sha256(data).hexdigest(), len(data)
