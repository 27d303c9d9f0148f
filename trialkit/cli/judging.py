"""Commands for what came in: check, analyse, report."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from trialkit.archive.tables import finding_table
from trialkit.cli.best_setting import tell_best_setting
from trialkit.cli.command import DONE, STOPPED_BY_DATA, Folder, command, trial_folder
from trialkit.cli.files import sheet_to_copy, write_tables
from trialkit.cli.mapping import next_of_offers, offer_to_write
from trialkit.cli.rows_aside import tell_rows_aside
from trialkit.cli.screen import Screen
from trialkit.cli.timelines import write_timelines
from trialkit.errors import LogError, PlanError
from trialkit.pipeline import SHARE, Pipeline
from trialkit.shell import quoted
from trialkit.triage import for_growers, for_statisticians, merge_repeats
from trialkit.wording import Message, message

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.decision.decide import Verdict
    from trialkit.errors import Finding
    from trialkit.logs.mapping.proposal import Proposal


@command("trialkit check my-trial", "trialkit check my-trial --json")
def check(screen: Screen, folder: Folder = Path()) -> int:
    """Read every log, say what is doubtful, and account for every row.

    Writes DIR/results: the ledger (each row set aside or changed, with file, row and reason),
    the findings, what each chamber got and the limits it was counted against, and a picture of
    each chamber's humidity. Run it while the trial runs: a dead fan or a stuck sensor is cheap to
    fix on the day. Your files are never changed. For files that the trial file does not describe
    yet, it offers the section to paste; on a terminal it asks what is open and writes it.
    """
    place = trial_folder(folder)
    job, stopped = _read_all(screen, place)
    offers = _offers(job, stopped)
    if offers and offer_to_write(screen, place, offers):
        job, stopped = _read_all(screen, place)
        offers = _offers(job, stopped)
    if stopped is not None:
        _tell_read(screen, job)
        if offers:
            screen.say(next_of_offers(job.trial.folder, offers))
        told = str(stopped).splitlines()[0].rstrip(":") if offers else str(stopped)
        raise LogError("\n  → ".join([told, *sheet_to_copy(job.trial)])) from stopped
    return tell_check(screen, job, offers)


def _read_all(screen: Screen, folder: Path) -> tuple[Pipeline, LogError | PlanError | None]:
    """Read every log of a trial; give what stopped it, where something did."""
    job = Pipeline(folder)
    with screen.progress(
        message("progress.reading"), _total("harvest", "environment", "mist", "align")
    ) as step:
        try:
            job.watch(step).data  # noqa: B018
        except LogError as problem:
            return job, problem
        except PlanError as problem:
            if "harvest" in job.trial.logs:
                raise
            return job, problem  # the other logs are read all the same
    return job, None


def _offers(job: Pipeline, stopped: LogError | PlanError | None) -> list[Proposal]:
    """Propose sections where a file was not read for want of one."""
    from trialkit.logs.mapping.offer import offer_sections

    codes = set() if stopped else {f.code for f in job.findings()}
    if stopped or codes & {"file_unread", "log_unread", "files_unnamed"}:
        return offer_sections(job.trial)
    return []


def _next_step(job: Pipeline, findings: Sequence[Finding], offers: Sequence[Proposal]) -> Message:
    """Say the one thing to do next: what keeps a log from being read comes before the answer."""
    if offers:
        return next_of_offers(job.trial.folder, offers)
    waiting = [f for f in findings if f.code == "no_usable_row"]
    if waiting:
        return message("cli.next", what=waiting[0].remedy)
    folder = quoted(job.trial.folder)
    if any(f.code in ("file_unread", "log_unread") for f in findings):
        return message("cli.check.next_unread", command=f"trialkit check {folder}")
    return message("cli.check.next", command=f"trialkit analyse {folder}")


def _tell_read(screen: Screen, job: Pipeline) -> None:
    """Say what the logs hold that could be read, where another stops the check."""
    logs = [log for log in (job.climate, job.mist) if log is not None]
    screen.findings(list(job.gaps))
    if not logs:
        return
    _tell_rows(screen, {log.kind: log for log in logs})
    for log in logs:
        screen.say("")
        table = getattr(log, "table", None)  # a log too large for memory has none
        count = int(log.spans["records"].sum()) if table is None else len(table)
        screen.say(str(message(f"log_rows.{log.kind}", count=count)), style="bold")
        screen.findings(merge_repeats(log.findings))
    screen.say("")


@command("trialkit analyse my-trial")
def analyse(screen: Screen, folder: Folder = Path()) -> int:
    """Fit the model that the plan calls for, and answer the question.

    Writes DIR/results: the analysed table, tests, means, differences, ratios and the verdict.
    """
    job = Pipeline(trial_folder(folder))
    with screen.progress(
        message("progress.reading"), sum(SHARE.values()) - SHARE["report"]
    ) as step:
        if job.trial.tuned:
            job.watch(step).best_setting  # noqa: B018
        else:
            job.watch(step).verdict  # noqa: B018
    if job.trial.tuned:
        screen.findings(for_growers(job.findings()))
    return tell_analysis(screen, job)


@command("trialkit report my-trial", "trialkit report my-trial --to friday.html --language de")
def report(
    screen: Screen,
    folder: Folder = Path(),
    to: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Where to write the page; DIR/report.html by default."),
    ] = None,
) -> int:
    """Write one HTML file that answers the question and can be sent on.

    It needs no network and no script, and opens from a mail attachment.

    Water and electricity per kilogram are worked out from the hours of mist and two figures of
    [rig] in the trial file: mist_l_h (litres in an hour of mist, measured with a jug) and
    fogger_w (watts, read from a plug meter). Counted totals are not read.
    """
    job = Pipeline(trial_folder(folder))
    with screen.progress(message("progress.reading"), sum(SHARE.values())) as step:
        job.watch(step)
        made = job.write_report(to)
    return tell_report(screen, job, made)


@command("trialkit export my-trial", "trialkit export my-trial --to friday.zip")
def export(
    screen: Screen,
    folder: Folder = Path(),
    to: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="Where to write it; DIR/archive.zip by default."),
    ] = None,
) -> int:
    """Write one archive to repeat the analysis in R.

    It is for a colleague, and holds the analysed tables with a data dictionary, the results, the
    plan, the trial file, fingerprints, and a script for R (lme4, lmerTest, pbkrtest, emmeans) that
    fits the same model and compares the numbers.
    """
    from trialkit.archive.write import archive_of

    job = Pipeline(trial_folder(folder))
    with screen.progress(
        message("progress.reading"), sum(SHARE.values()) - SHARE["report"]
    ) as step:
        made = archive_of(job.watch(step), to)
    screen.wrote([made])
    screen.say(message("cli.export.next"))
    return DONE


def tell_check(
    screen: Screen, job: Pipeline, offers: Sequence[Proposal] = (), *, pictures: bool = True
) -> int:
    """Print and write what was read, kept, set aside and found; give the exit code.

    Proposed sections that were not written come before any other next step.
    """
    from trialkit.alignment.open_checks import told_unmade

    summary, ledger = _tell_rows(screen, job.logs)
    findings = merge_repeats(job.findings())
    screen.record["trial"] = job.trial.title
    screen.heading(message("cli.check.found" if findings else "cli.check.nothing"))
    screen.findings(findings)
    _say_proposals(screen, job)
    unmade = job.data.unmade
    screen.record["unmade"] = unmade
    if len(unmade):
        screen.heading(message("cli.check.unmade"))
        for what, where, why, needs in told_unmade(unmade):
            screen.say(
                message("cli.check.unmade_line", what=what, where=where, why=why, needs=needs),
                indent="  ",
            )
    screen.say("")
    screen.wrote(
        write_tables(
            job.trial.folder / "results",
            {
                "unmade_checks": unmade,
                "files": summary,
                "ledger": ledger,
                "findings": finding_table(job.findings()),
                "chamber_runs": job.data.runs,
                "limits": job.data.limits,
            },
        )
    )
    if pictures:
        screen.wrote(write_timelines(job.trial.folder / "results", job.data, job.logs))
    stops = [f for f in findings if f.severity == "stop"]
    if stops:
        screen.say(message("cli.check.stops"), style="bold red")
        screen.say(message("cli.next", what=stops[0].remedy or stops[0].message))
        return STOPPED_BY_DATA
    screen.say(_next_step(job, findings, offers))
    return DONE


def _tell_rows(screen: Screen, logs: Mapping[str, Any]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Print how many rows of each file were read, kept and set aside, and which were not kept."""
    import pandas as pd

    from trialkit.display import show_table

    summary = pd.concat(
        [log.ledger.summary().assign(log=kind) for kind, log in logs.items()],
        ignore_index=True,
    )
    ledger = pd.concat([log.ledger.table for log in logs.values()], ignore_index=True)
    screen.record |= {"files": summary, "set_aside": ledger}
    screen.heading(message("cli.check.rows"))
    columns = ["file", "read", "kept", "set_aside"]
    screen.show(
        show_table(
            summary,
            columns=columns,
            heads={name: str(message(f"cli.check.head.{name}")) for name in columns},
            notes=(str(message("cli.check.rows_note")),),
        )
    )
    lines = tell_rows_aside(ledger)
    if lines:
        screen.heading(message("cli.check.aside"))
        for line in lines:
            screen.say(line, indent="  ")
    return summary, ledger


def _say_proposals(screen: Screen, job: Pipeline) -> None:
    """Print the lines for the trial file that the logs ask for."""
    proposals = job.data.proposals
    screen.record["happened"] = [p.lines for p in proposals]
    if not proposals:
        return
    screen.heading(message("cli.check.proposals"))
    for proposal in proposals:
        for line in [*proposal.lines.splitlines(), ""]:
            screen.say(line, indent="  ")


def tell_analysis(screen: Screen, job: Pipeline) -> int:
    """Print and write the fitted effects and the verdict; give the exit code."""
    import pandas as pd

    if job.trial.tuned:
        return tell_best_setting(screen, job)

    result, verdict = job.result, job.verdict
    differences = pd.concat(
        [frame.assign(treatment=name) for name, frame in result.differences.items()]
    )
    means = pd.concat([frame.assign(treatment=name) for name, frame in result.means.items()])
    screen.record |= {
        "trial": job.trial.title,
        "answer": verdict.answer,
        "level": verdict.level,
        "sentence": verdict.sentence,
        "ratios": verdict.table,
        "depends_on": verdict.depends_on,
        "by": verdict.by,
        "use": verdict.use,
        "means": means,
        "differences": differences,
        "tests": result.tests,
        "next": list(verdict.next_steps),
    }
    if verdict.logarithm is not None:
        screen.record["logarithm"] = verdict.logarithm
    found = list(dict.fromkeys([*job.findings(), *verdict.findings, *result.findings]))
    screen.keep(found)
    _say_answers(screen, job)
    if verdict.depends_on:
        screen.show(verdict.shown_by())
        screen.say("")
    if len(verdict.readings):
        screen.record |= {"readings": verdict.readings, "follows": result.follows}
        screen.show(verdict.shown_readings())
        screen.say("")
    for table in result.shown_tables():
        screen.show(table)
        screen.say("")
    for line in job.data.told_limits():
        screen.say(line)
        screen.say("")
    _say_cautions(screen, found)
    for line in verdict.next_steps:
        screen.say(message("cli.next", what=line))
    screen.wrote(
        write_tables(
            job.trial.folder / "results",
            {
                "analysed": job.data.table,
                "limits": job.data.limits,
                "tests": result.tests,
                "means": means,
                "differences": differences,
                "ratios": verdict.table.drop(columns="sentence", errors="ignore"),
                **_more_tables(verdict),
                "variances": result.fit.variances.rename("variance").rename_axis("part").to_frame(),
                "use": verdict.use,
                "cautions": finding_table(found),
            },
        )
    )
    return STOPPED_BY_DATA if verdict.answer == "blocked" else DONE


def _say_answers(screen: Screen, job: Pipeline) -> None:
    """Say the answer of every level, the one to act on in bold; then water and electricity."""
    from trialkit.decision.answer_lines import answer_lines
    from trialkit.decision.use_lines import use_lines

    verdict = job.verdict
    screen.heading(message("cli.analyse.answer"))
    for level, sentence in answer_lines(job.trial, verdict):
        screen.say(sentence, style="bold" if level in ("", verdict.level) else "")
        screen.say("")
    for line in use_lines(job.trial, verdict):
        screen.say(line)
    screen.say("")


def _say_cautions(screen: Screen, found: list[Finding]) -> None:
    """Say what a grower must know; count the rest and say where it stands."""
    lines = for_growers(found)
    grave = [f for f in lines if f.severity != "note"]
    for one in grave:
        screen.say(_finding_line(one), indent="  ")
    more = len(lines) - len(grave), len(for_statisticians(found))
    if not grave:
        screen.say(message("cli.analyse.no_cautions"))
    if sum(more):
        screen.say(message("cli.analyse.more", count=more[0], statistics=more[1]))
    screen.say("")


def _finding_line(found: Finding) -> str:
    word = message(f"severity.{found.severity}")
    return f"{word}: {found.message}" + (f" → {found.remedy}" if found.remedy else "")


def _more_tables(verdict: Verdict) -> dict[str, pd.DataFrame]:
    """Give the tables that only some verdicts have."""
    tables = {}
    if len(verdict.by):
        tables["ratios_by"] = verdict.by.drop(columns="sentence", errors="ignore")
    if verdict.logarithm is not None:
        tables["ratios_logarithm"] = verdict.logarithm
    if len(verdict.readings):
        tables["readings"] = verdict.readings
    return tables


def tell_report(screen: Screen, job: Pipeline, made: Path) -> int:
    """Print the verdict and name the report; give the exit code."""
    if job.trial.tuned:
        screen.record |= {"sentence": job.best_setting.sentence}
        screen.say(job.best_setting.sentence, style="bold")
        screen.wrote([made])
        return DONE
    screen.record |= {"answer": job.verdict.answer, "sentence": job.verdict.sentence}
    _say_answers(screen, job)
    screen.wrote([made])
    return STOPPED_BY_DATA if job.verdict.answer == "blocked" else DONE


def _total(*steps: str) -> float:
    return sum(SHARE[step] for step in steps)
