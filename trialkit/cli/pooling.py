"""The command for several trials of one question: pool."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from trialkit.cli.command import DONE, command
from trialkit.cli.screen import Screen
from trialkit.errors import ModelError
from trialkit.wording import message, spoken

if TYPE_CHECKING:
    from trialkit.federation.answer import TrialAnswer
    from trialkit.federation.gather import Gathered
    from trialkit.federation.pool import PooledAnswers

#: Trials listed on the screen.
_LISTED = 30


@command(
    "trialkit pool spring autumn",
    "trialkit pool spring --export spring.json",
    "trialkit pool spring autumn answers-of-others --level sparse --to pooled.html",
    "trialkit pool spring summer --level '6.5 %, 650 lux'",
)
def pool(
    screen: Screen,
    places: Annotated[
        list[Path],
        typer.Argument(
            metavar="DIR|FILE...",
            help="Folders of trials, answer files of others, or folders of such files.",
        ),
    ],
    level: Annotated[
        str | None,
        typer.Option(
            metavar="NAME",
            help="Level to compare with the control, of several; of ranges: '6.5 %, 650 lux'.",
        ),
    ] = None,
    margin: Annotated[
        float | None,
        typer.Option(
            min=0.1, max=99, metavar="PERCENT", help="Loss accepted; the first trial's by default."
        ),
    ] = None,
    to: Annotated[Path, typer.Option(metavar="FILE", help="Where to write the page.")] = Path(
        "pooled.html"
    ),
    export: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", help="Write the answer of one trial to a .json file to share instead."
        ),
    ] = None,
) -> int:
    """Take several trials of one question together, on one page.

    The page tells the mean, and what the next room or season may show. The register of all
    trials is written beside it as a table (CSV). With --export it writes the answer of one trial
    for others to pool: no log, no weight and no address is in it. Files of others are checked
    before they count, and what each one does to the answer is told. Of trials whose settings are
    ranges, --level names the setting to compare with today's.
    """
    trials = [place for place in places if _is_trial(place)]
    if export is not None:
        if len(places) != 1 or not trials:
            raise typer.BadParameter("--export takes one trial's folder", param_hint="DIR")
        return _export(screen, trials[0], level, export)
    own, margins = _own_answers(screen, trials, level)
    gathered = _gather(screen, own, [place for place in places if not _is_trial(place)])
    if level is not None:
        _check_level(gathered, own, level)
    from trialkit.federation.pool import pool_answers

    accepted = margin if margin is not None else margins[0] if margins else 10.0
    pooled = pool_answers(gathered.answers, margin_pct=accepted)
    return _tell(screen, pooled, gathered, to)


def _is_trial(place: Path) -> bool:
    """Say whether a name is that of a trial; refuse one of nothing as wrong usage."""
    if not place.exists():
        raise typer.BadParameter(f"there is nothing at {place}", param_hint="DIR|FILE")
    return place.name == "trial.toml" or (place / "trial.toml").is_file()


def _own_answers(
    screen: Screen, folders: list[Path], level: str | None
) -> tuple[list[TrialAnswer], list[float]]:
    """Analyse one's own trials; give their answers and the losses they accept."""
    from trialkit.own_answers import answers_of_trials
    from trialkit.pipeline import Pipeline

    jobs = [Pipeline(folder) for folder in folders]
    if not jobs:
        return [], []
    with screen.progress(message("progress.reading"), len(jobs)) as step:
        answers = answers_of_trials(jobs, level=level, tell=step)
    return answers, [job.trial.question.margin_pct for job in jobs]


def _gather(screen: Screen, own: list[TrialAnswer], places: list[Path]) -> Gathered:
    from trialkit.federation.gather import answer_files, gather_answers

    files = [file for place in places for file in answer_files(place)]
    return gather_answers(own, files)


def _check_level(gathered: Gathered, own: list[TrialAnswer], level: str) -> None:
    """Refuse answers to another question where a level was asked for."""
    wanted = own[0].level if own else level
    other = [a for a in gathered.answers if a.level != wanted]
    if other:
        raise ModelError(
            f"{other[0].source} compares {other[0].level!r}, not {wanted!r}: leave it out, or ask "
            f"for --level {other[0].level}"
        )


def _export(screen: Screen, folder: Path, level: str | None, to: Path) -> int:
    from trialkit.federation.answer_file import write_answer

    (answer,), _ = _own_answers(screen, [folder], level)
    screen.record |= {"answer": vars(answer)}
    screen.say(message("pool.export.holds", level=answer.level, control=answer.control))
    screen.wrote([write_answer(answer, to)])
    return DONE


def _tell(screen: Screen, pooled: PooledAnswers, gathered: Gathered, to: Path) -> int:
    """Print the answers, write page and register, and give the exit code."""
    from trialkit.display import show_table
    from trialkit.federation.views import views_of
    from trialkit.formulas import without_formulas
    from trialkit.report.pool_page import write_pool_page
    from trialkit.whole_files import write_whole

    say, locale = spoken(), spoken().locale
    screen.record |= {
        "answer": pooled.answer,
        "next_answer": pooled.next_answer,
        "said": [str(line) for line in pooled.said],
        "pooled": pooled.ratios | {"between_sd": pooled.between_sd},
        "trials": pooled.table,
        "views": views_of(pooled),
        "set_aside": [{"source": s, "why": str(why)} for s, why in gathered.aside],
    }
    screen.heading(message("cli.analyse.answer"))
    screen.say(pooled.sentence, style="bold")
    screen.say("")
    screen.say(pooled.said[1])
    screen.say("")
    columns = ["trial", "ratio", "low", "high", "answer", "weight_pct", "without", "odd_p"]
    table = pooled.table.head(_LISTED)
    more = len(pooled.table) - len(table)
    words = [say.either(f"row_answer.{a}", "–") for a in table["answer"]]
    screen.show(
        show_table(
            table.assign(answer=words),
            columns=columns,
            heads={name: say.text(f"pool.head.{name}") for name in columns},
            formats={
                **dict.fromkeys(("ratio", "low", "high", "without"), lambda v: say.number(v, 3)),
                "weight_pct": lambda v: say.number(v, 1),
                "odd_p": say.p,
            },
            caption=say.text("pool.caption", trials=len(pooled.table)),
            notes=[say.text("pool.more", n=more)] if more else [],
        )
    )
    screen.say("")
    screen.findings(pooled.findings)
    _say_aside(screen, gathered)
    screen.say("")
    register = to.with_name(f"{to.stem}_trials.csv")
    page = write_pool_page(pooled, to, gathered=gathered, locale=locale, language=say.language)
    csv = without_formulas(pooled.table).to_csv(index=False, lineterminator="\n")
    screen.wrote([page, write_whole(register, csv)])
    return DONE


def _say_aside(screen: Screen, gathered: Gathered) -> None:
    """Say which files were not used, and why."""
    if not gathered.aside:
        return
    screen.heading(message("pool.aside.heading", count=len(gathered.aside)))
    for source, why in gathered.aside[:_LISTED]:
        screen.say(f"{source}: {why}", indent="  ", style="yellow")
    more = len(gathered.aside) - _LISTED
    if more > 0:
        screen.say(message("pool.more", n=more), indent="  ")
