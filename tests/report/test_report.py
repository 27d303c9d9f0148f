"""The page: self-contained, safe, complete, the same every time, for trials of every shape."""

import hashlib
import html
import math
import re
import time
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

import trialkit as tk
from tests.report.folders import HOSTILE, make_farm
from tests.report.wordy_pages import leave_out_pictures
from trialkit.cautions import list_cautions
from trialkit.errors import Finding, ReportError
from trialkit.report.page import LARGEST, write_page
from trialkit.report.page_parts import build_table, show_findings
from trialkit.triage import merge_repeats
from trialkit.visible_text import visible
from trialkit.wording import message, read_wording

pytestmark = pytest.mark.xdist_group("report")

SECTIONS = ("answer", "whole", "saves", "layout", "delivered", "harvest", "model", "rows", "limits",
            "repeat", "cautions", "provenance", "glossary")  # fmt: skip
VOID = {"meta", "br", "img", "hr", "input", "link", "path", "use", "rect", "line", "circle"}


class Outline(HTMLParser):
    """What a page is made of; complains about tags that do not nest."""

    def __init__(self, text):
        super().__init__()
        self.open, self.tags, self.heads, self.words = [], [], [], []
        self.feed(text)
        assert not self.open, self.open

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        if tag in VOID:
            return
        assert self.open, tag
        assert self.open[-1] == tag, (tag, self.open[-4:])
        self.open.pop()

    def handle_data(self, data):
        self.words.append(data)
        if self.open and re.fullmatch(r"h[1-6]", self.open[-1]):
            self.heads.append((self.open[-1], data))

    def all(self, tag):
        return [attrs for name, attrs in self.tags if name == tag]


@pytest.fixture(scope="module")
def text(farm_page):
    return farm_page.read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def outline(text):
    return Outline(text)


def test_the_first_screen_answers_in_words_and_numbers(farm, outline):
    words = "".join(outline.words)
    heads = [text.replace("\u00a0", " ") for tag, text in outline.heads if tag == "h2"]
    use = farm.verdict.use.set_index(["use", "level"])
    saved = use.loc[("water_l", "sparse"), "saving_pct"]  # the fan runs with the mist: both alike
    assert heads[0] == (
        "Yes: sparse is not worse than usual by more than the accepted 10 %, "
        f"with {saved:.0f} % less water and electricity per kg"
    )
    assert farm.verdict.sentence.replace("\u00a0", " ") in words.replace("\u00a0", " ")
    saving = farm.verdict.use.set_index(["use", "level"]).loc[("water_l", "sparse"), "saving_pct"]
    assert f"saved per kg: sparse against usual{saving:.0f} %" in words.replace("\u00a0", " ")
    for step in farm.verdict.next_steps:
        assert step in words.replace("\u00a0", " ")


def test_small_measures_are_not_rounded_away(farm):
    from trialkit.report.outcomes import _decided_on

    inputs = SimpleNamespace(
        say=read_wording(), verdict=farm.verdict, trial=farm.trial, factor=farm.trial.primary,
        level="95 %", reference=farm.trial.primary.reference,
    )  # fmt: skip
    rows = [row for row in _decided_on(inputs).rows if "kg per chamber" in row[0]]
    raw = farm.verdict.measures.query("measure == 'per_chamber_day'")["estimate"]
    assert len(raw) == len(farm.trial.primary.levels)
    for row, value in zip(rows, raw, strict=True):
        assert float(row[2].split()[0]) == pytest.approx(value, rel=0.005)


def test_ratios_of_counts_have_their_digits_beside_wide_limits_of_odds():
    from trialkit.report.outcomes import _modelled

    rows = [
        ("contaminated", "odds_ratio", np.inf, 0.0532, 403.0, np.nan),
        ("caps", "ratio", 0.9616, 0.8374, 1.1061, 0.231),
    ]
    table = pd.DataFrame(rows, columns=["outcome", "measure", "estimate", "low", "high", "p"])
    table = table.assign(factor="schedule", level="sparse")
    inputs = SimpleNamespace(say=read_wording(), level="95 %")
    lost, caps = _modelled(inputs, SimpleNamespace(modelled=table)).rows
    assert lost[4].replace("\u00a0", " ") == "∞ (0.0532 to 403)"
    assert caps[4].replace("\u00a0", " ") == "0.962 (0.837 to 1.11)"


def test_as_assigned_are_the_means_of_the_answer():
    """By hand: two levels, 233 and 222 g in the answer, 234 and 223 g as plain means of runs."""
    from trialkit.report.outcomes import _as_answered

    beside = pd.DataFrame({"level": ["usual", "sparse"], "as_assigned": [234.0, 223.0]})
    means = {"schedule": pd.DataFrame({"level": ["sparse", "usual"], "estimate": [222.0, 233.0]})}
    factor, dose = SimpleNamespace(name="schedule"), SimpleNamespace(beside=beside)
    for scale, want in (("plain", [233.0, 222.0]), ("logarithm", [234.0, 223.0])):
        inputs = SimpleNamespace(result=SimpleNamespace(scale=scale, means=means), factor=factor)
        assert _as_answered(inputs, dose)["as_assigned"].tolist() == want
    assert beside["as_assigned"].tolist() == [234.0, 223.0]


def test_every_section_is_there_and_named_once(outline):
    names = [attrs["id"] for attrs in outline.all("section")]
    assert tuple(names) == SECTIONS
    ids = [attrs["id"] for _, attrs in outline.tags if "id" in attrs]
    assert len(ids) == len(set(ids))
    links = {a["href"].lstrip("#") for a in outline.all("a")}
    assert links <= set(ids)
    assert set(SECTIONS) - {"answer"} <= links


def test_headings_do_not_skip_a_level(outline):
    levels = [int(tag[1]) for tag, _ in outline.heads]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))


def test_tables_have_captions_and_scoped_heads(outline):
    assert len(outline.all("table")) >= 12
    assert len(outline.all("caption")) == len(outline.all("table"))
    assert all(attrs.get("scope") in ("col", "row") for attrs in outline.all("th"))


def test_no_table_and_no_figure_is_shown_twice(text):
    for tag in ("caption", "figcaption"):
        told = re.findall(rf"<{tag}>(.*?)</{tag}>", text)
        assert len(told) == len(set(told)), tag


def test_every_level_has_its_answer_on_the_first_screen(farm):
    from trialkit.report.first_screen import answer_screen
    from trialkit.report.inputs import PageInputs

    rows = pd.concat([farm.verdict.table] * 6, ignore_index=True)
    rows["level"] = ["sparse", *(f"L{i}" for i in range(5))]
    sentences = {level: f"about {level}" for level in rows["level"]}
    verdict = replace(farm.verdict, table=rows, sentences=sentences)
    inputs = PageInputs(farm.trial, farm.result, verdict, read_wording(), farm.result.data,
                        farm.logs, farm.plan)  # fmt: skip
    screen = answer_screen(inputs)
    assert [other.sentence for other in screen.others] == [f"about L{i}" for i in range(5)]
    assert screen.others[0].question == "Is the yield with L0 as good as with usual?"


def test_a_limit_is_never_shown_on_an_edge_that_it_is_not_on(farm):
    """A loss of up to 9.7 % is not shown as the accepted 10 %, nor a gain of 0.2 % as none."""
    from trialkit.report.first_screen import answer_screen
    from trialkit.report.inputs import PageInputs

    rows = farm.verdict.table.assign(ratio=0.95, low=0.903, high=1.002)
    verdict = replace(farm.verdict, table=rows, depends_on="")
    inputs = PageInputs(farm.trial, farm.result, verdict, read_wording(), farm.result.data,
                        farm.logs, farm.plan)  # fmt: skip
    fact = answer_screen(inputs).facts[0]
    assert farm.trial.question.margin_pct == 10
    assert fact.value == "−5 %"
    assert "−9.7 %" in fact.limits
    assert "+0.2 %" in fact.limits


def test_every_figure_says_what_it_shows(outline):
    pictures = outline.all("svg")
    assert len(pictures) >= 13
    for attrs in pictures:
        assert attrs["role"] == "img"
        assert len(attrs["aria-label"]) > 40
        assert re.search(r"\d", attrs["aria-label"])


def test_it_runs_nothing_and_loads_nothing(text, outline):
    assert not outline.all("script")
    policy = next(a for a in outline.all("meta") if a.get("http-equiv"))
    assert policy["http-equiv"] == "Content-Security-Policy"
    assert policy["content"].startswith("default-src 'none'")
    assert "script" not in policy["content"]
    for tag, attrs in outline.tags:
        assert not [name for name in attrs if name.startswith("on")], tag
        assert tag not in ("img", "iframe", "object", "embed", "link", "form", "base", "video")
        for name in ("src", "href", "xlink:href", "action", "srcset"):
            assert attrs.get(name, "#").startswith("#"), (tag, attrs)
    css = re.search(r"<style>(.*?)</style>", text, re.DOTALL)[1]
    assert "@import" not in css
    assert "url(" not in css
    outside = set(re.findall(r"[a-z]+://[^\s\"'<)]+", text)) - {"http://www.w3.org/2000/svg"}
    assert not outside


def test_hostile_text_is_only_text(text, outline):
    """The title and a unit code of the harvest file try to be a script, maths, a template."""
    assert "<script" not in text
    words = "".join(outline.words)
    assert words.count(visible(HOSTILE)) >= 2  # heading and ledger
    assert "\u202e" not in text
    assert html.escape(visible(HOSTILE), quote=False) in text.replace("&#34;", '"').replace(
        "&#39;", "'"
    )


def test_small_enough_to_mail(farm_page):
    assert farm_page.stat().st_size < LARGEST


def test_no_date_of_making_and_no_path_of_this_machine(farm, text):
    assert str(farm.trial.folder) not in text
    assert time.strftime("%Y-%m-%d") not in text


def test_provenance_names_every_input_by_its_hash(farm, text):
    for name in ("trial.toml", "harvest.csv", "climate.csv", "mist.csv"):
        digest = hashlib.sha256((farm.trial.folder / name).read_bytes()).hexdigest()
        assert digest in text, name
    assert farm.plan.hash in text
    assert f"<dd>{farm.trial.seed}</dd>" in text
    assert tk.__version__ in text


def test_every_row_set_aside_is_listed_and_the_sums_are_shown(farm, outline):
    words = "".join(outline.words)
    ledger = farm.logs["harvest"].ledger
    assert len(ledger.table)
    for row in ledger.table.to_dict("records"):
        assert str(row["row"]) in words
        assert row["rule"] in words
        assert row["reason"].replace("\u00a0", " ") in words.replace("\u00a0", " ")


def test_every_finding_and_caution_is_shown(farm, outline):
    words = "".join(outline.words).replace("\u00a0", " ")
    found = (*farm.verdict.findings, *farm.logs["environment"].findings)
    alone = [f for f in found if not f.code.startswith("sensor_")]
    for finding in (*alone, *merge_repeats(f for f in found if f not in alone)):
        assert finding.message in words, finding  # sensors alike are one line, which names each
    for finding in found:
        assert str(finding.said.values.get("sensor", "")) in words
    for caution in list_cautions(where="report", uses=["mist"]):
        assert caution.title in words
        assert caution.source in words


def test_the_numbers_of_the_page_are_those_of_the_result(farm, outline):
    words = "".join(outline.words)
    for row in farm.result.ratios.to_dict("records"):
        for name in ("ratio", "low", "high"):
            assert f"{row[name]:.3f}" in words
    for F in farm.result.tests["F"]:
        assert f"{F:,.2f}" in words


def test_no_number_is_decorated_with_stars(text):
    cells = re.findall(r"<td[^>]*>(.*?)</td>", text)
    assert len(cells) > 200
    assert not [c for c in cells if "*" in c]


def test_a_plain_call_reads_plan_and_logs_itself_and_gives_the_same_bytes(
    farm, farm_page, tmp_path
):
    made = tk.write_report(farm.trial, farm.result, farm.verdict, tmp_path / "sub" / "r.html")
    assert made.read_bytes() == farm_page.read_bytes()


def test_logs_that_are_gone_are_told_not_hidden(farm, tmp_path, monkeypatch):
    leave_out_pictures(monkeypatch)
    logs = dict(farm.trial.logs)
    gone = {k: v.model_copy(update={"files": ["nowhere-*.csv"]}) for k, v in logs.items()}
    made = tk.write_report(
        replace(farm.trial, logs=gone), farm.result, farm.verdict, tmp_path / "r.html",
        plan=farm.plan,
    )  # fmt: skip
    words = "".join(Outline(made.read_text(encoding="utf-8")).words)
    assert "the account of rows is not shown" in words
    assert {"harvest", "environment", "mist"} >= set(logs)
    for kind in logs:
        named = "climate" if kind == "environment" else kind
        assert f"the {named} log could not be read" in words


@pytest.mark.parametrize("record", ["{not json", "[]", '{"seed": 1}'])
def test_a_plan_that_is_there_but_broken_is_told(farm, tmp_path, monkeypatch, record):
    leave_out_pictures(monkeypatch)
    folder = tmp_path / "trial"
    (folder / "plan").mkdir(parents=True)
    farm.plan.table.to_csv(folder / "plan" / "assignment.csv", index=False)
    (folder / "plan" / "plan.json").write_text(record, encoding="utf-8")
    made = tk.write_report(
        replace(farm.trial, folder=folder), farm.result, farm.verdict, tmp_path / "r.html",
        logs=farm.logs,
    )  # fmt: skip
    words = "".join(Outline(made.read_text(encoding="utf-8")).words)
    assert "the plan could not be read for this page" in words
    assert "The plan of this trial cannot be read" in words
    assert "There is no plan with this trial" not in words


def test_numbers_by_locale_and_words_from_the_catalogue(farm, tmp_path):
    page = farm.report(tmp_path / "de.html", locale="de_AT", language="en", short=True)
    words = "".join(Outline(page).words)
    change = 100 * (farm.result.ratios["ratio"].iloc[0] - 1)
    assert f"{abs(change):.1f}\u00a0%".replace(".", ",") in words
    assert "13.01.2031" in words
    assert '<html lang="en"' in page  # English words, so read aloud as English
    with pytest.raises(ReportError):
        farm.report(tmp_path / "x.html", locale="xx-nowhere")
    assert not (tmp_path / "x.html").exists()


def test_a_blocked_verdict_gives_no_result_on_the_first_screen(farm, tmp_path):
    stop = Finding("clock", "stop", "the loggers disagree by an hour", "correct the clock")
    blocked = replace(
        farm.verdict,
        answer="blocked",
        said=message("verdict.blocked", faults="the loggers disagree by an hour"),
        steps=(message("step.first", what="correct the clock"),),
        findings=(stop, *farm.verdict.findings),
    )
    page = replace(farm, verdict=blocked).report(tmp_path / "r.html", short=True)
    screen = page[page.index('<section id="answer"') : page.index('<section id="compared"')]
    assert "No verdict: a check failed" in screen
    assert "the loggers disagree by an hour" in screen
    assert 'class="facts"' not in screen
    shown = show_findings(blocked.findings, read_wording())
    assert shown[0].label == "Stops the verdict"


def test_a_chance_that_falls_with_more_batches_is_explained(farm, tmp_path, monkeypatch):
    leave_out_pictures(monkeypatch)
    settle = pd.DataFrame({"repeats": "batch", "count": [2, 3, 4, 5]})
    for name in ("no_worse", "difference"):
        settle[name] = [0.4, 0.6, 0.5, 0.7]
        settle[f"{name}_low"], settle[f"{name}_high"] = 0.2, 0.9
    told = "From 4 batches on, the analysis can tell whether schedule acts differently"
    page = replace(farm, verdict=replace(farm.verdict, settle=settle)).report(tmp_path / "r.html")
    assert told in page
    rising = settle.assign(no_worse=[0.4, 0.5, 0.6, 0.7], difference=[0.4, 0.5, 0.6, 0.7])
    page = replace(farm, verdict=replace(farm.verdict, settle=rising)).report(tmp_path / "s.html")
    assert told not in page


@pytest.mark.parametrize(
    ("ratio", "low", "high"), [(math.nan, math.nan, math.nan), (0.97, -math.inf, math.inf)]
)
def test_what_cannot_be_estimated_is_said_not_drawn(farm, tmp_path, ratio, low, high):
    """A level without an estimate, and limits that have no end."""
    values = {"ratio": ratio, "low": low, "high": high}
    result = replace(farm.result, ratios=farm.result.ratios.assign(**values))
    verdict = replace(
        farm.verdict,
        answer="not enough evidence",
        table=farm.verdict.table.assign(**values, answer="not enough evidence"),
        money=None,
        settle=farm.verdict.settle.iloc[:0],
        use=farm.verdict.use.iloc[:0],
    )
    page = replace(farm, result=result, verdict=verdict).report(tmp_path / "r.html", short=True)
    assert "Not enough evidence about sparse yet" in page
    assert "nan" not in re.sub(r"<style>.*?</style>", "", page, flags=re.DOTALL).lower()
    shown = "∞" if math.isinf(high) else "–"
    assert shown in page


@pytest.mark.parametrize(
    ("lacking", "said"),
    [
        ((), "after water and electricity"),
        (("water",), "The cost of water is not included"),
        (("energy",), "The cost of electricity is not included"),
        (("water", "energy"), "The cost of water and electricity is not included"),
    ],
)
def test_money_says_what_it_counts(farm, tmp_path, monkeypatch, lacking, said):
    leave_out_pictures(monkeypatch, but=["savings"])
    prices = farm.verdict.money.by_price
    money = replace(
        farm.verdict.money,
        by_price=prices[~prices["price"].isin(lacking)],
        counted=tuple(name for name in farm.verdict.money.counted if name not in lacking),
    )
    verdict = replace(farm.verdict, money=money)
    assert said in replace(farm, verdict=verdict).report(tmp_path / "r.html")


def test_invented_data_are_marked_and_real_ones_are_not(farm, text, tmp_path):
    assert "Invented demo data" in text
    real = replace(farm, trial=replace(farm.trial, invented=False))
    assert "Invented" not in real.report(tmp_path / "r.html", short=True)


def test_harvest_only_trial_without_plan_or_chambers(field, field_page):
    """Oats of Yates (1935): F as printed in Venables and Ripley, MASS."""
    page = field_page.read_text(encoding="utf-8")
    outline = Outline(page)
    words = "".join(outline.words)
    for F in ("1.49", "37.69", "0.30"):
        assert F in words
    assert "There is no climate log" in words
    assert "There is no plan with this trial" in words
    assert "6 blocks, 18 plots within blocks, and 72 subplots within plots within blocks" in words
    assert ("h2", "Harvest") in outline.heads


def test_short_version_holds_answer_layout_limits_and_fingerprint(farm, tmp_path):
    page = farm.report(tmp_path / "short.html", short=True)
    outline = Outline(page)
    assert [a["id"] for a in outline.all("section")] == ["answer", "compared", "layout", "limits"]
    assert farm.trial.sha256[:12] in page
    assert len(page) < 120_000


def test_the_page_appears_whole_or_not_at_all(farm, tmp_path, monkeypatch):
    target = tmp_path / "report.html"
    write_page(target, "old")
    monkeypatch.setattr(
        "pathlib.Path.replace", lambda *_: (_ for _ in ()).throw(OSError(28, "full"))
    )
    with pytest.raises(ReportError, match="cannot be written"):
        write_page(target, "new")
    monkeypatch.undo()
    assert target.read_text(encoding="utf-8") == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["report.html"]
    (tmp_path / "file").write_text("x")
    with pytest.raises(ReportError, match="give another place"):
        write_page(tmp_path / "file" / "r.html", "text")


def test_the_redrawn_trial_is_shown_when_it_was_made(farm):
    from trialkit.report.inputs import PageInputs
    from trialkit.report.model import model_section

    test = tk.randomisation_test(farm.trial, farm.plan, farm.result.data, draws=99)
    inputs = PageInputs(farm.trial, farm.result, farm.verdict, read_wording(), farm.result.data,
                        farm.logs, farm.plan, redrawn=test)  # fmt: skip
    parts = model_section(inputs).parts
    assert (
        f"99 more plans were drawn by the procedure of this plan, and the test of {test.factor}"
        in parts[-2].text
    )
    assert read_wording().p(test.p) in parts[-2].text
    assert "Histogram of 99 plans drawn anew" in parts[-1].svg


def test_each_finding_is_shown_once_gravest_first():
    found = [Finding("a", "note", "n"), Finding("b", "stop", "s"), Finding("a", "note", "n")]
    assert [f.severity for f in show_findings(found, read_wording())] == ["stop", "note"]


def test_table_cells_share_their_decimals():
    frame = pd.DataFrame({"level": ["a", "b"], "estimate": [412.345, 9.5], "low": [400.1, 8.25]})
    table = build_table(
        frame, columns=["level", "estimate", "low", "absent"], say=read_wording(), caption="c"
    )
    assert table.rows == (("a", "412", "400"), ("b", "10", "8"))
    assert table.numeric == (False, True, True)


@pytest.mark.slow
def test_a_trial_of_one_batch_still_reports(tmp_path):
    """The smallest layout that can answer at all goes through, with a caution on few units."""
    made = make_farm(tmp_path, invented=False, batches=1)
    page = made.report(tmp_path / "r.html", short=True)
    assert "cautions about" in page or "caution about" in page


def test_a_yield_is_never_said_to_fall_below_nothing(tmp_path):
    """One chamber and three batches leave the ratio without limits to either side."""
    from tests.small_trials import make_data, make_trial

    trial = make_trial(tmp_path, batches=3, chambers=1)
    data = make_data(trial)
    twice = data.table["schedule"].value_counts().idxmax()  # the level given to two runs
    lucky = data.table.loc[data.table["schedule"] == twice, "batch"].iloc[0]
    data.table.loc[data.table["batch"] == lucky, "fresh_g"] += 600.0
    result = tk.analyse(trial, data)
    verdict = tk.decide(trial, result)
    assert verdict.table["low"].iloc[0] < 0
    page = tk.write_report(trial, result, verdict, tmp_path / "r.html").read_text("utf-8")
    facts = page.split("<dl", 1)[1].split("</dl>", 1)[0].replace("\xa0", " ")
    assert "−100 %" in facts
    assert "−∞ %" not in facts
