"""The steps of a trial, each done once and only when asked for."""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import trialkit as tk
from trialkit.errors import DesignError, Finding, ModelError, PlanError

if TYPE_CHECKING:
    from trialkit.alignment.aligned import Aligned
    from trialkit.analysis import Analysis
    from trialkit.decision.decide import Verdict
    from trialkit.design.assign import Plan
    from trialkit.logs.log import Log
    from trialkit.trial import Trial

#: Rough share of the whole job's time that each step takes, for the time left.
SHARE = {"harvest": 1.0, "environment": 8.0, "mist": 3.0, "align": 4.0, "analyse": 2.0,
         "decide": 1.0, "report": 8.0}  # fmt: skip

#: Plans drawn for the randomisation test of a report.
REDRAWS = 999


class Job:
    """One trial on its way from logs to report.

    Parameters
    ----------
    folder : Path
        The trial's folder.
    step : callable, optional
        Called with (share, words) after each step.
    """

    def __init__(self, folder: Path, step: Callable[..., Any] = lambda *_: None) -> None:
        self.folder = folder
        self._step = step

    def watch(self, step: Callable[..., Any]) -> Job:
        """Report steps to another function from now on."""
        self._step = step
        return self

    @cached_property
    def trial(self) -> Trial:
        """The trial file."""
        trial: Trial = tk.read_trial(self.folder)
        return trial

    @cached_property
    def plan(self) -> Plan | None:
        """The plan, or None where none was drawn."""
        if not (self.trial.folder / "plan" / "assignment.csv").exists():
            return None
        plan: Plan = tk.read_plan(self.trial)
        return plan

    @cached_property
    def logs(self) -> dict[str, Log]:
        """Every log that the trial file names."""
        readers = {"harvest": tk.read_harvest, "environment": tk.read_environment,
                   "mist": tk.read_mist}  # fmt: skip
        out = {}
        for kind, read in readers.items():
            if kind in self.trial.logs:
                self._step(0, f"reading the {kind} log")
                out[kind] = read(self.trial)
                self._step(SHARE[kind])
        return out

    @cached_property
    def data(self) -> Aligned:
        """One row per block and flush, with what its chamber run got."""
        if "harvest" not in self.trial.logs:
            raise PlanError("the trial file names no harvest log → add [logs.harvest] with files")
        logs = self.logs
        self._step(0, "working out what each chamber got")
        data: Aligned = tk.align(
            self.trial,
            logs["harvest"],
            logs.get("environment"),
            logs.get("mist"),
            plan=self.plan,
        )
        self._step(SHARE["align"])
        return data

    @cached_property
    def result(self) -> Analysis:
        """The fitted model."""
        data = self.data
        self._step(0, "fitting the model")
        result: Analysis = tk.analyse(self.trial, data)
        self._step(SHARE["analyse"])
        return result

    @cached_property
    def verdict(self) -> Verdict:
        """The answer to the question."""
        result = self.result
        self._step(0, "deciding")
        verdict: Verdict = tk.decide(self.trial, result)
        self._step(SHARE["decide"])
        return verdict

    @cached_property
    def redrawn(self) -> Any:
        """The test that draws the plan again and again; None where no plan was drawn here."""
        if self.plan is None or self.plan.version == "by hand" or self.verdict.answer == "blocked":
            return None
        self._step(0, "drawing the plan again and again")
        try:
            return tk.randomisation_test(self.trial, self.plan, self.data, draws=REDRAWS)
        except (DesignError, ModelError, PlanError):
            return None

    def write_report(self, path: Path, *, locale: str) -> Path:
        """Write the page."""
        result, verdict, redrawn = self.result, self.verdict, self.redrawn
        self._step(0, "writing the report")
        made: Path = tk.write_report(
            self.trial,
            result,
            verdict,
            path,
            locale=locale,
            logs=self.logs,
            plan=self.plan,
            redrawn=redrawn,
        )
        self._step(SHARE["report"])
        return made

    def findings(self) -> list[Finding]:
        """Everything doubtful in logs and alignment, each once."""
        found = [f for log in self.logs.values() for f in log.findings]
        found += unnamed_files(self.trial)
        return list(dict.fromkeys([*found, *self.data.findings]))


def unnamed_files(trial: Trial) -> list[Finding]:
    """Tell files in the trial's logs folder that no log of the trial file names."""
    from trialkit.logs.text.files import find_files

    there = {p.resolve() for p in (trial.folder / "logs").glob("*") if p.is_file()}
    there = {p for p in there if not p.name.startswith((".", "~$"))}
    named = {
        path.resolve()
        for spec in trial.logs.values()
        for path, _ in find_files(trial.folder, spec.files)
    }
    left = sorted(p.name for p in there - named)
    if not left:
        return []
    shown = ", ".join(left[:8]) + (f" and {len(left) - 8} more" if len(left) > 8 else "")
    what = f"not read, because the trial file names no such log: logs/{shown}"
    remedy = (
        "name them under files in [logs.harvest], [logs.environment] (climate) or [logs.mist], "
        "or move them out of logs/"
    )
    return [Finding("files_unnamed", "caution", what, remedy)]
