"""The report: one self-contained page that answers the question and shows how it was found."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from trialkit.errors import Finding, ReportError
from trialkit.report.inputs import PageInputs, logs_for_page, plan_for_page
from trialkit.report.made_from import MadeFrom, made_from, made_from_tag
from trialkit.report.page_parts import Masthead, Points, Section, Words
from trialkit.right_kind import check_kinds
from trialkit.visible_text import visible
from trialkit.whole_files import write_whole
from trialkit.wording import speaking

if TYPE_CHECKING:
    from trialkit.alignment.result import Aligned
    from trialkit.analysis.result import Analysis
    from trialkit.decision.decide import Verdict
    from trialkit.design.plan import Plan
    from trialkit.logs.log import Log
    from trialkit.report.first_screen import Answer
    from trialkit.trial import Trial
    from trialkit.wording import Wording

#: A page larger than this is hard to mail [bytes].
LARGEST = 2_000_000


def write_report(
    trial: Trial,
    result: Analysis,
    verdict: Verdict,
    path: str | Path,
    *,
    locale: str | None = None,
    language: str | None = None,
    aligned: Aligned | None = None,
    logs: Mapping[str, Log] | None = None,
    plan: Plan | None = None,
    redrawn: Any = None,
    findings: Sequence[Finding] = (),
    short: bool = False,
) -> Path:
    """Write the report: one HTML file that works offline and in a mail attachment.

    The page loads nothing and runs nothing; a policy inside it forbids both. The same inputs
    give the same bytes. It appears whole or not at all.

    Parameters
    ----------
    trial : Trial
    result : Analysis
    verdict : Verdict
    path : str or Path
        File to write; its folder is made if it is not there.
    locale : str, optional
        How numbers and dates are written, such as ``"en"``, ``"en_GB"`` or ``"de_AT"``; as
        everything else is said by default, which is English where nothing was set.
    language : str, optional
        Language of the words, such as ``"de"``; that of the locale by default.
    aligned : Aligned, optional
        Exposures and harvest; those of `result` by default.
    logs : mapping, optional
        ``"harvest"``, ``"environment"``, ``"mist"`` → `Log`. Read from the trial's folder by
        default; handing them over saves that time.
    plan : Plan, optional
        Read from the trial's folder by default; where none is there, or one is there that
        cannot be read, the page says so.
    redrawn : object, optional
        Result of `randomisation_test`, shown among the checks.
    findings : sequence of Finding
        Doubtful things met on the way, shown with those of the results.
    short : bool
        One printed page: answer, figure, layout and limits only.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    ReportError
        If the locale is not known or the file cannot be written.

    Examples
    --------
    >>> import trialkit as tk, tempfile
    >>> trial = tk.read_trial(tk.demo_folder())
    >>> data = tk.align(trial, tk.read_harvest(trial), tk.read_environment(trial),
    ...                 tk.read_mist(trial))
    >>> result = tk.analyse(trial, data)
    >>> page = tk.write_report(trial, result, tk.decide(trial, result),
    ...                        tempfile.mkdtemp() + "/report.html")
    >>> page.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    True
    """
    check_kinds("write_report", trial=trial, result=result, verdict=verdict)
    if result.look is not None:
        trial = result.trial  # with the level of this look
    with speaking(locale, language) as say:
        told = list(findings)
        if logs is None:
            logs, more = logs_for_page(trial)
            told += more
        if plan is None:
            plan, more = plan_for_page(trial)
            told += more
        elif not plan.asked:  # only a plan that is written proves when the question was
            written, _ = plan_for_page(trial)
            plan = written if written is not None and written.hash == plan.hash else plan
        inputs = PageInputs(
            trial=trial,
            result=result,
            verdict=verdict,
            say=say,
            data=aligned if aligned is not None else result.data,
            logs=dict(logs),
            plan=plan,
            redrawn=redrawn,
            more_findings=tuple(told),
        )
        return write_page(Path(path), build_page(inputs, short=short))


def build_page(inputs: PageInputs, *, short: bool = False) -> str:
    """Build the page as text.

    Parameters
    ----------
    inputs : PageInputs
    short : bool
        The version for one printed page.

    Returns
    -------
    str
        The whole HTML file.
    """
    from trialkit.report.first_screen import answer_screen

    return render_page(
        inputs.trial,
        inputs.say,
        answer_screen(inputs),
        _short_sections(inputs) if short else _sections(inputs),
        dates=_dates(inputs),
        sources=made_from(inputs.trial, inputs.plan, inputs.logs),
        short=short,
    )


def render_page(
    trial: Trial | Masthead,
    say: Wording,
    answer: Answer,
    sections: Sequence[Section],
    *,
    sources: MadeFrom,
    dates: str = "",
    kind: str = "",
    short: bool = False,
) -> str:
    """Fill the template: the first screen and what follows it."""
    from jinja2 import Environment, StrictUndefined

    from trialkit import __version__
    from trialkit.report.svg import dark_colors

    here = files("trialkit.report")
    css = here.joinpath("style.css").read_text(encoding="utf-8")
    css = css.replace("/*dark-figures*/", dark_colors())
    environment = Environment(
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=keep_units,
    )
    environment.filters["shape"] = cell_shape
    template = environment.from_string(here.joinpath("page.html.j2").read_text(encoding="utf-8"))
    return template.render(
        lang=say.locale.replace("_", "-") if say.language != "en" else "en",
        say=say,
        kind=kind or say.text("page.kind"),
        css=Markup(css),
        title=trial.title,
        made_from=made_from_tag(sources),
        species=trial.species,
        dates=dates,
        invented=trial.invented,
        answer=answer,
        sections=sections,
        short=short,
        version=__version__,
    )


_BEFORE_UNIT = re.compile(r"(?<=\d) (?=[%°]|(?:g|kg|h|s|L|kWh|lux|ppm|kPa)\b)")


def cell_shape(cell: str) -> Markup:
    """Give the class of a text cell: room for long texts, breaks for long unbroken ones."""
    if max(map(len, cell.split()), default=0) > 28:
        return Markup(' class="w b"')
    return Markup(' class="w"' if len(cell) > 14 else "")


def keep_units(value: Any) -> Any:
    """Keep a number and its unit on one line, and hidden marks visible, in all of the page."""
    return _BEFORE_UNIT.sub("\u00a0", visible(value)) if type(value) is str else value


def _sections(inputs: PageInputs) -> Sequence[Section]:
    from trialkit.report.cautions import cautions_section
    from trialkit.report.exposures import exposures_section
    from trialkit.report.glossary import glossary_section
    from trialkit.report.harvest import harvest_section
    from trialkit.report.layout import layout_section
    from trialkit.report.limits import limits_section
    from trialkit.report.model import model_section
    from trialkit.report.provenance import provenance_section
    from trialkit.report.repeating import repeat_section
    from trialkit.report.rows import rows_section
    from trialkit.report.savings import saves_section
    from trialkit.report.whole_trial import whole_trial_section

    makers: tuple[Callable[[PageInputs], Section], ...] = (
        whole_trial_section,
        saves_section,
        layout_section,
        exposures_section,
        harvest_section,
        model_section,
        rows_section,
        limits_section,
        repeat_section,
        cautions_section,
        provenance_section,
        glossary_section,
    )
    return [make(inputs) for make in makers]


def _short_sections(inputs: PageInputs) -> Sequence[Section]:
    from trialkit.report.first_screen import answer_table, further_tables
    from trialkit.report.layout import layout_sentences
    from trialkit.report.limits import limit_words
    from trialkit.report.provenance import fingerprint

    say = inputs.say
    done = [Words(text) for text in layout_sentences(inputs)]
    limits = [Points(tuple(limit_words(inputs))), Words(fingerprint(inputs), quiet=True)]
    return [
        Section(
            "compared",
            say.text("section.compared"),
            (answer_table(inputs), *further_tables(inputs)),
        ),
        Section("layout", say.text("section.layout"), tuple(done)),
        Section("limits", say.text("section.limits"), tuple(limits)),
    ]


def _dates(inputs: PageInputs) -> str:
    """Say from when to when the trial ran, as far as it is known."""
    batches = inputs.trial.batches.values()
    moments = [m for b in batches for m in (b.start, b.end) if m is not None]
    if moments and any(b.end is None for b in batches):  # one that still grows: its last harvest
        moments += inputs.result.data.table["harvest_time"].dropna().tolist()
    if not moments:
        return ""
    first, last = (inputs.say.date(inputs.local(m)) for m in (min(moments), max(moments)))
    return first if first == last else f"{first} – {last}"


def write_page(path: Path, text: str) -> Path:
    """Write the page so that it appears whole or not at all.

    Raises
    ------
    ReportError
        If the folder or the file cannot be written.
    """
    try:
        return write_whole(path, text)
    except OSError as problem:
        raise ReportError(
            f"the report cannot be written to {path} ({problem.strerror}); "
            "give another place with room and permission to write"
        ) from None
