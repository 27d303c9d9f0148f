"""The report of the demo speaks one language: no English word is left on the German page.

Names stay as they are: of the trial, its treatments, levels and units, of files and columns, and
what is typed at a prompt or in the trial file.
"""

import re
from functools import cache
from html.parser import HTMLParser
from pathlib import Path

import pytest

import trialkit as tk
from trialkit.cautions import list_cautions
from trialkit.columns import COLUMNS
from trialkit.report.page import write_report
from trialkit.wording import catalogue, languages, speaking

PACKAGE = Path(tk.__file__).parent
LANGUAGE = "de"
pytestmark = pytest.mark.skipif(LANGUAGE not in languages(), reason="no German catalogue here")

#: Areas whose texts are not in the catalogue yet: packages and modules of trialkit. Empty when
#: all is done.
OPEN: tuple[str, ...] = ()

#: Words no German sentence has, written as they stand; *was* and *Not* are German too.
ENGLISH = {
    "a", "and", "are", "as", "at", "be", "been", "but", "by", "does", "each", "for", "from",
    "given", "has", "have", "how", "if", "is", "it", "its", "less", "more", "no", "not",
    "of", "on", "or", "out", "than", "that", "the", "their", "them", "there", "these", "they",
    "this", "to", "were", "what", "when", "which", "who", "with", "without",
}  # fmt: skip

#: English words that are German as well, or names that stand in a text of the catalogue.
SHARED = {
    "Fieller", "Kenward", "Latin", "Roger", "Satterthwaite", "Square", "batch", "block", "chamber",
    "csv", "duty", "flush", "mm", "pip", "plus", "shelf", "toml", "trialkit",
}  # fmt: skip


class _Visible(HTMLParser):
    """Gathers what a reader of the page sees or hears, apart from what is typed."""

    def __init__(self):
        super().__init__()
        self.texts, self.skipped = [], []

    def handle_starttag(self, tag, attrs):
        given = dict(attrs)
        code = tag == "dl" and "code" in (given.get("class") or "")
        if tag in ("style", "pre", "code") or code or self.skipped:
            if tag not in ("meta", "link", "br", "path", "use", "circle", "rect"):
                self.skipped.append(tag)
            return
        self.texts += [given[name] for name in ("aria-label", "title", "alt") if given.get(name)]

    def handle_endtag(self, tag):
        if self.skipped and self.skipped[-1] == tag:
            self.skipped.pop()

    def handle_data(self, data):
        if not self.skipped and data.strip():
            self.texts.append(" ".join(data.split()))


def visible(page):
    reader = _Visible()
    reader.feed(page)
    return list(dict.fromkeys(reader.texts))


@cache
def source_of(area):
    """Give the code of a package or module of trialkit as one text."""
    there = PACKAGE / area
    files = sorted(there.rglob("*.py")) if there.is_dir() else [there.with_suffix(".py")]
    return "\n".join(path.read_text(encoding="utf-8") for path in files)


def comes_from_open(code):
    """Say whether a finding is made in an area that is still open."""
    first = re.escape(code.split("_")[0])
    told = rf"""["']{re.escape(code)}["']|f["']{first}_\{{"""  # whole, or put together
    return any(re.search(told, source_of(area)) for area in OPEN)


def words(text):
    """Split a text into words; a word of letters alone, longer than one."""
    return re.findall(r"(?<![\w.\-/])[^\W\d_]+(?![\w/]|[.\-]\w)", text)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Write the demo's report in German; the analysis itself is made in English."""
    trial = tk.read_trial(tk.demo_folder())
    logs = {
        "harvest": tk.read_harvest(trial), "environment": tk.read_environment(trial),
        "mist": tk.read_mist(trial),
    }  # fmt: skip
    data = tk.align(trial, *logs.values())
    result = tk.analyse(trial, data)
    verdict = tk.decide(trial, result)
    redrawn = tk.randomisation_test(trial, tk.read_plan(trial), data, draws=99)
    path = tmp_path_factory.mktemp("page") / "report.html"
    write_report(
        trial, result, verdict, path, language=LANGUAGE, aligned=data, logs=logs, redrawn=redrawn
    )
    return trial, result, verdict, logs, path.read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def names(made):
    """Every word that the user or a file gave, and columns."""
    trial, result, _, logs, _ = made
    given = [trial.title, trial.species, trial.time_zone, *trial.structure.factors]
    for factor in trial.factors.values():
        given += [factor.name, *factor.levels]
        given += [str(x) for level in factor.levels.values() for x in (level.lamp, level.note)]
    table = result.data.table
    given += [str(x) for name in trial.structure.factors for x in table[name].unique()]
    given += [str(x) for log in logs.values() for x in log.ledger.table[["old", "new"]].stack()]
    given += [f.name for log in logs.values() for f in log.files]
    return {word for text in given for word in re.findall(r"[^\W\d_]+", str(text))} | {*COLUMNS}


def still_open(made):
    """List the texts on the page that open areas have made."""
    trial, result, verdict, logs, _ = made
    found = [*verdict.findings, *result.findings, *result.fit.diagnose().findings]
    found += [f for log in logs.values() for f in log.findings]
    with speaking(LANGUAGE):
        texts = [t for f in found if comes_from_open(f.code) for t in (f.message, f.remedy)]
        if "model" in OPEN:
            checks = result.fit.diagnose().table
            texts += [str(x) for x in checks[["check", "detail"]].to_numpy().ravel()]
            texts += [str(note) for note in result.ratios["note"]]
        if "design" in OPEN:
            from trialkit.design.strata.strata import strata

            texts += strata(trial, plan=tk.read_plan(trial)).sentences
        if "logs" in OPEN:
            for log in logs.values():
                ledger = log.ledger.table
                texts += [str(x) for x in ledger[["rule", "reason", "remedy"]].to_numpy().ravel()]
    return {" ".join(text.split()) for text in texts if text}


def strip_labels(text):
    """Leave out labels of columns and pictures of the plan where their areas are open."""
    if "columns" in OPEN:
        for column in sorted(COLUMNS.values(), key=lambda c: -len(c.label)):
            text = re.sub(rf"(?<!\w){re.escape(column.label)}(?!\w)", "", text)
    return text


def sentences(made):
    """List what the page shows, without open texts and without what is typed into a file."""
    open_texts = still_open(made)
    page = made[-1]
    if "design" in OPEN:  # the picture of the plan is drawn there
        page = re.sub(r'<svg[^>]*aria-label="Plan des Versuchs.*?</svg>', "", page, flags=re.DOTALL)
    sources = [c.source for c in list_cautions(where="report")]
    for text in visible(page):
        plain = " ".join(text.replace("\u00a0", " ").removeprefix("→").split())
        if plain in open_texts:
            continue
        for source in sources:
            plain = plain.replace(source, "")
        plain = re.sub(r"\w+ = (\[\{.*?\}\]|\"[^\"]*\"|\S+)", "", plain)  # typed into a file
        plain = re.sub(r"\[(?!\w+/)\w+(\.\w+)?\]", "", plain)  # a table of the trial file, a unit
        yield strip_labels(plain)


def test_no_little_english_word_is_on_the_german_page(made, names):
    left = {
        text: sorted(found)
        for text in sentences(made)
        if (found := {w for w in words(text) if w.lower() in ENGLISH and w not in ("Not",)} - names)
    }
    assert not left


def test_no_word_of_the_english_catalogue_is_on_the_german_page(made, names):
    """A word of the English texts that no German text has is English."""

    def vocabulary(language):
        texts = (catalogue._entries(language) or {}).values()
        return {w.lower() for text in texts for w in words(re.sub(r"\{.*?\}", " ", text))}

    english = vocabulary("en") - vocabulary(LANGUAGE)
    assert len(english) > 500
    allowed = {w.lower() for w in names | SHARED}
    left = {
        text: sorted(found)
        for text in sentences(made)
        if (found := {w for w in words(text) if w.lower() in english - allowed})
    }
    assert not left


def test_the_german_catalogue_lacks_nothing():
    own = catalogue._entries(LANGUAGE) or {}
    assert not [key for key in catalogue._entries("en") if key not in own]


def test_an_english_word_would_be_seen(made, names):
    """The tests above can fail: an English sentence put on the page is found."""
    page = made[-1].replace("</main>", "<p>The yield was not measured by anyone.</p></main>")
    planted = [text for text in visible(page) if "measured by" in text]
    assert [w for w in words(planted[0]) if w.lower() in ENGLISH - names]


@pytest.mark.parametrize("language", languages())
def test_a_verdict_is_said_in_the_language_in_use_whenever_it_was_made(made, language):
    verdict = made[2]
    with speaking(language):
        said = [verdict.sentence, *verdict.next_steps]
    word = {"en": "usual", "de": "Grenzen"}[language]
    assert word in said[0]
    assert ("Grenzen" in said[0]) == (language == "de")


def test_the_map_names_units_in_the_language_in_use():
    plan = tk.read_plan(tk.read_trial(tk.demo_folder()))
    with speaking(LANGUAGE):
        axes = plan.map().axes[0]
    assert axes.get_xlabel() == "Kammer"
    assert axes.get_ylabel().startswith("Charge (")
    assert "Regalboden top, bottom" in axes.get_ylabel()
