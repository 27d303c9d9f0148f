"""The results of a trial as tables for an archive."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.errors import Finding
    from trialkit.pipeline import Pipeline


def result_tables(job: Pipeline) -> dict[str, pd.DataFrame]:
    """Give the results of a trial by name, as they stand in its report.

    Parameters
    ----------
    job : Pipeline

    Returns
    -------
    dict of str to DataFrame
        `tests`, `variances`, `cautions`; and `means`, `differences` and `ratios` of named
        levels, or the `surface` of settings that are ranges.
    """
    if job.trial.tuned:
        best = job.best_setting
        fit, tests = best.surface.fit, best.tests
        findings = (*job.findings(), *best.findings)
        more = {"surface": best.limits}
    else:
        fit, tests = job.result.fit, job.result.tests
        findings = (*job.findings(), *job.verdict.findings, *job.result.findings)
        more = {
            "means": _stacked(job.result.means),
            "differences": _stacked(job.result.differences),
            "ratios": job.result.ratios,
        }
    variances = fit.variances.rename("variance").rename_axis("part").reset_index()
    found = finding_table(list(dict.fromkeys(findings)))
    return {"tests": tests.reset_index(), "variances": variances, **more, "cautions": found}


def _stacked(tables: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """Put the tables of several treatments under one another."""
    import pandas as pd

    parts = []
    for name, table in tables.items():
        part = table.copy()
        part.insert(0, "treatment", name)
        parts.append(part)
    return pd.concat(parts, ignore_index=True)


def finding_table(findings: list[Finding]) -> pd.DataFrame:
    """Put findings into a table."""
    import pandas as pd

    rows = [(f.severity, f.code, f.message, f.remedy) for f in findings]
    return pd.DataFrame(rows, columns=["severity", "code", "message", "remedy"])
