"""A trial's folder taken through all stages: logs, aligned data, analysis, verdict, report.

The command line, the status, the notebooks and the pictures all go this one way. Each step is
done once, when it is first asked for, and an error in a step is raised where it is asked for.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trialkit.errors import DesignError, Finding, LogError, ModelError, PlanError
from trialkit.folder import read_climate, read_log, read_plan_there, unnamed_files
from trialkit.wording import finding, message

if TYPE_CHECKING:
    from trialkit.alignment.result import Aligned
    from trialkit.analysis.randomisation import RandomisationTest
    from trialkit.analysis.result import Analysis
    from trialkit.decision.best_setting import BestSetting
    from trialkit.decision.decide import Verdict
    from trialkit.design.plan import Plan
    from trialkit.logs.climate.large import LargeLog
    from trialkit.logs.log import Log
    from trialkit.trial import Trial

#: Rough share of the whole work's time that each step takes, for the time left.
SHARE = {
    "harvest": 1.0,
    "environment": 8.0,
    "mist": 3.0,
    "align": 4.0,
    "analyse": 2.0,
    "decide": 1.0,
    "report": 8.0,
}

#: Plans drawn for the randomisation test of a report.
REDRAWS = 999


def _untold(share: float, words: str = "") -> None:
    """Tell nobody how far the work is."""


def _tell_gap(kind: str, problem: LogError) -> Finding:
    """Tell a log none of whose files can be read, with the first reason."""
    lines = str(problem).splitlines()
    told, _, remedy = " ".join(line.strip() for line in lines[:3]).partition(" → ")
    return finding("log_unread", "caution", form=kind, problem=told[:300], remedy=remedy[:300])


class Pipeline:
    """One trial on its way from its folder to the report.

    Parameters
    ----------
    trial : Trial, str or Path
        The trial, or its folder.
    step : callable, optional
        Called as ``step(share, words)`` when a step begins, with its words, and when it is
        done, with its share of `SHARE`.

    Examples
    --------
    >>> import trialkit as tk
    >>> steps = Pipeline(tk.demo_folder())
    >>> steps.plan.seed, len(steps.harvest.table)
    (2031, 430)
    """

    def __init__(self, trial: Trial | str | Path, step: Callable[..., object] = _untold) -> None:
        self._given = trial
        self._step = step
        self._gaps: list[Finding] = []

    def watch(self, step: Callable[..., object]) -> Pipeline:
        """Tell another function of the steps from now on."""
        self._step = step
        return self

    @cached_property
    def trial(self) -> Trial:
        """The trial file."""
        from trialkit.trial import read_trial

        given = self._given
        return read_trial(given) if isinstance(given, (str, Path)) else given

    @cached_property
    def plan(self) -> Plan | None:
        """The plan; None where none was drawn or laid out by hand."""
        return read_plan_there(self.trial)

    @cached_property
    def harvest(self) -> Log | None:
        """The harvest log; None where the trial file names none."""
        return self._read("harvest")

    @cached_property
    def climate(self) -> Log | LargeLog | None:
        """The climate log; None where the trial file names none, or none can be read.

        One too large for memory is left on disk and read chamber by chamber.
        """
        if "environment" not in self.trial.logs:
            return None
        try:
            with self._part("environment") as tell:
                return read_climate(self.trial, progress=tell)
        except LogError as problem:
            self._gaps.append(_tell_gap("environment", problem))
            return None

    @cached_property
    def mist(self) -> Log | None:
        """The mist log; None where the trial file names none, or none can be read."""
        return self._read_beside("mist")

    @property
    def gaps(self) -> tuple[Finding, ...]:
        """What was not read of the logs that the weights do not depend on, and why."""
        return tuple(self._gaps)

    def _read_beside(self, kind: str) -> Log | None:
        """Read a log that the weights do not depend on; where it cannot be read, keep why."""
        try:
            return self._read(kind)
        except LogError as problem:
            self._gaps.append(_tell_gap(kind, problem))
            return None

    def _read(self, kind: str) -> Log | None:
        if kind not in self.trial.logs:
            return None
        with self._part(kind):
            return read_log(self.trial, kind)

    @contextmanager
    def _part(self, name: str) -> Iterator[Callable[[int, int], None]]:
        """Tell of a step's beginning and end; gives a function told (done, planned) between."""
        words, told = str(message(f"step.{name}")), 0.0
        self._step(0, words)

        def tell(done: int, planned: int) -> None:
            nonlocal told
            share = SHARE[name] * done / planned
            self._step(max(share - told, 0.0), words)
            told = max(share, told)

        yield tell
        self._step(SHARE[name] - told)

    @property
    def logs(self) -> dict[str, Any]:
        """Every log that the trial file names, by kind: `Log`, or `LargeLog` for the climate."""
        found = {"harvest": self.harvest, "environment": self.climate, "mist": self.mist}
        return {kind: log for kind, log in found.items() if log is not None}

    @cached_property
    def data(self) -> Aligned:
        """One row per block and flush, with what its chamber run got."""
        from trialkit.alignment.align import align

        if "harvest" not in self.trial.logs:
            raise PlanError("the trial file names no harvest log → add [logs.harvest] with files")
        logs, plan = self.logs, self.plan
        with self._part("align") as tell:
            return align(
                self.trial,
                logs["harvest"],
                logs.get("environment"),
                logs.get("mist"),
                plan=plan,
                progress=tell,
            )

    @cached_property
    def result(self) -> Analysis:
        """The fitted model."""
        from trialkit.analysis.analyse import analyse

        data = self.data
        self._step(0, str(message("step.analyse")))
        result = analyse(self.trial, data)
        self._step(SHARE["analyse"])
        return result

    @cached_property
    def verdict(self) -> Verdict:
        """The answer to the question."""
        from trialkit.decision.decide import decide

        result = self.result
        self._step(0, str(message("step.decide")))
        verdict = decide(self.trial, result)
        self._step(SHARE["decide"])
        return verdict

    @cached_property
    def best_setting(self) -> BestSetting:
        """The answer of a trial whose treatments are ranges."""
        from trialkit.decision.best_setting import find_best_setting

        data = self.data
        self._step(0, str(message("step.analyse")))
        found = find_best_setting(self.trial, data)
        self._step(SHARE["analyse"] + SHARE["decide"])
        return found

    @property
    def redrawn(self) -> RandomisationTest | None:
        """The test that draws the plan again and again.

        None where no plan was drawn here, where there is no verdict, and where the plan could
        not be drawn again, which the report then says.
        """
        return self._redrawn[0]

    @cached_property
    def _redrawn(self) -> tuple[RandomisationTest | None, tuple[Finding, ...]]:
        """The randomisation test, or a finding that says why there is none."""
        from trialkit.analysis.randomisation import randomisation_test

        if self.plan is None or self.plan.version == "by hand" or self.verdict.answer == "blocked":
            return None, ()
        self._step(0, str(message("step.redraw")))
        try:
            planned = self.result
            if planned.follows == "as given" and planned.other is not None:
                planned = planned.other
            test = randomisation_test(self.trial, self.plan, planned.data, draws=REDRAWS)
        except (DesignError, ModelError, PlanError) as problem:
            return None, (finding("not_redrawn", "note", problem=str(problem)),)
        if self.result.follows == "as given":
            return test, (finding("redrawn_as_planned", "caution"),)
        return test, ()

    def write_report(
        self,
        path: str | Path | None = None,
        *,
        locale: str | None = None,
        language: str | None = None,
        short: bool = False,
    ) -> Path:
        """Write the report; ``report.html`` in the trial's folder by default.

        Parameters
        ----------
        path : str or Path, optional
        locale, language : str, optional
            How numbers and dates are written, and the language of the words; as everything else
            is said by default.
        short : bool
            One printed page.

        Returns
        -------
        Path
            The file written.
        """
        from trialkit.report.page import write_report

        if self.trial.tuned:
            return self._write_settings_report(path, locale, language)
        result, verdict, (redrawn, problems) = self.result, self.verdict, self._redrawn
        self._step(0, str(message("step.report")))
        made = write_report(
            self.trial,
            result,
            verdict,
            self.trial.folder / "report.html" if path is None else path,
            locale=locale,
            language=language,
            logs=self.logs,
            plan=self.plan,
            redrawn=redrawn,
            findings=(*problems, *self._gaps),
            short=short,
        )
        self._step(SHARE["report"])
        return made

    def _write_settings_report(
        self, path: str | Path | None, locale: str | None, language: str | None
    ) -> Path:
        from trialkit.report.settings_page import write_settings_report

        found = self.best_setting
        self._step(0, str(message("step.report")))
        made = write_settings_report(
            self.trial,
            found,
            self.data,
            self.trial.folder / "report.html" if path is None else path,
            logs=self.logs,
            plan=self.plan,
            locale=locale,
            language=language,
        )
        self._step(SHARE["report"])
        return made

    def findings(self) -> list[Finding]:
        """List everything doubtful in logs and alignment, each once."""
        from trialkit.alignment.proposals import with_proposals
        from trialkit.trial.doubtful_entries import tell_doubtful_entries

        found = [f for log in self.logs.values() for f in log.findings]
        found += [*self._gaps, *unnamed_files(self.trial), *tell_doubtful_entries(self.trial)]
        told = with_proposals(self.data.findings, self.data.proposals)
        return list(dict.fromkeys([*found, *told]))
