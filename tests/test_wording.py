"""The catalogue is complete and used; numbers and dates are as each locale writes them."""

import datetime as dt
import re
from pathlib import Path
from string import Formatter

import numpy as np
import pytest

import trialkit
from trialkit.errors import Finding, ReportError
from trialkit.wording import catalogue, finding, languages, message, read_wording, speaking, spoken

PACKAGE = Path(trialkit.__file__).parent
SOURCES = [*PACKAGE.rglob("*.py"), *PACKAGE.rglob("*.j2")]
TEXT = "\n".join(p.read_text(encoding="utf-8") for p in SOURCES)
WHOLE_KEYS = re.findall(
    r"""(?:text|choose|either|say|message)\(\s*["']([a-z_]+\.[a-z_.]+[a-z])["'][,)]""", TEXT
)


def test_every_key_that_the_code_asks_for_is_in_the_catalogue():
    entries = read_wording().entries
    assert len(set(WHOLE_KEYS)) > 100
    for key in WHOLE_KEYS:
        assert key in entries or f"{key}.other" in entries, key


def test_every_key_of_the_catalogue_is_used():
    """A key is used by its name, or by its group where the code puts names together."""
    groups = set(re.findall(r"""f["']([a-z_]+(?:\.[a-z_]+)*)\.\{""", TEXT))
    quoted = set(re.findall(r"""["']([a-z_]+\.[a-z_.]+[a-z])["']""", TEXT))
    groups -= {"finding", "finding_remedy"}  # told apart by their codes, see below
    groups |= {"term", "glossary", "column", "unit"} | {k.rstrip(".") for k in quoted}
    groups |= set(re.findall(r"""["']([a-z_]+(?:\.[a-z_]+)*)\.["'] \+""", TEXT))
    quoted |= {"finding.plan_not_shown", "finding_remedy.plan_not_shown"}  # told by its constant
    for code in re.findall(r"""finding\(\s*["']([a-z_]+)["']""", TEXT):
        quoted |= {f"finding.{code}", f"finding_remedy.{code}"}
    groups |= {key for key in quoted if key.startswith("finding")}
    quoted |= {f"{key}_{more}" for key in quoted for more in ("priced", "cure")}  # with a cost
    for key in read_wording().entries:
        parents = {key.rsplit(".", n)[0] for n in range(1, key.count(".") + 1)}
        of_finding = key.startswith(("finding.", "finding_remedy."))
        assert key in quoted or parents & groups or of_finding, key


def test_two_files_of_a_language_may_not_say_the_same_key(tmp_path, monkeypatch):
    """Else the later one would be said in both places."""
    from trialkit.wording import catalogue

    (tmp_path / "xx").mkdir()
    for name in ("one", "two"):
        (tmp_path / "xx" / f"{name}.toml").write_text(f'[delivered]\nnone = "{name}"\n')
    monkeypatch.setattr(catalogue, "files", lambda package: tmp_path)
    with pytest.raises(ValueError, match=r"xx/two.toml has keys of another file.*delivered.none"):
        catalogue._entries("xx")


def test_every_finding_has_its_sentence_and_every_sentence_its_finding():
    calls = re.findall(r"""(?:\bfinding|\.find)\(\s*(f?)["']([a-z_]+)""", TEXT)
    codes = {code for made, code in calls if not made} | {"plan_not_shown"}
    stems = {code for made, code in calls if made}  # f"sensor_{flag}"
    groups = {"finding": set(), "finding_remedy": set()}
    for key in read_wording().entries:
        group, _, name = key.partition(".")
        if group in groups:
            groups[group].add(name)
    told = {name.split(".")[0] for name in groups["finding"]}
    assert codes <= told
    for code in told:
        assert code in codes or any(code.startswith(stem) for stem in stems), code
    for name in groups["finding_remedy"]:
        assert name in told or name in groups["finding"], name


def test_every_text_is_well_formed_and_names_its_places():
    for key, text in read_wording().entries.items():
        for _, name, spec, conversion in Formatter().parse(text):
            assert name is None or re.fullmatch(r"[a-z_]+", name), key
            assert re.fullmatch(r"\+?(,|\.\d[fg])?", spec or ""), key
            assert not conversion, key


@pytest.mark.parametrize("language", [name for name in languages() if name != "en"])
def test_a_translation_fills_the_same_places_and_has_no_text_of_its_own(language):
    def places(text):
        return {name for _, name, _, _ in Formatter().parse(text) if name}

    english = read_wording().entries
    for key, text in (catalogue._entries(language) or {}).items():
        stem, _, form = key.rpartition(".")
        own_unit = stem.startswith("unit.")  # a name that English has no need of
        assert key in english or own_unit or f"{stem}.other" in english, (key, form)
        if key in english:
            assert places(text) <= places(english[key]), key


@pytest.mark.parametrize(
    ("locale", "number", "day"),
    [
        # Unicode CLDR number patterns and medium dates of these locales. Editions of the CLDR
        # differ in which apostrophe and which narrow space they write: either is right.
        ("en", r"1,234\.5", "13 Jan 2031"),
        ("en_GB", r"1,234\.5", "13 Jan 2031"),
        ("de-CH", r"1['’]234\.5", "13.01.2031"),
        ("de", r"1\.234,5", "13.01.2031"),
        ("fr", "1[\u202f\u00a0]234,5", "13 janv. 2031"),
    ],
)
def test_numbers_and_dates_follow_the_locale(locale, number, day):
    say = read_wording(locale)
    assert re.fullmatch(number, say.number(1234.5, 1))
    assert say.date(dt.date(2031, 1, 13)) == day


def test_numbers_that_are_not_there_or_have_no_end():
    say = read_wording()
    assert say.number(None) == say.number(float("nan")) == say.number("word") == "–"
    assert say.number(float("inf")) == "∞"
    assert say.number(-float("inf")) == "−∞"
    assert say.number(-0.001, 1) == "0.0"  # no minus zero
    assert say.date(None) == say.moment(None) == "–"


def test_small_p_is_not_zero():
    say = read_wording("de")
    assert say.p(0.00001) == "< 0,0001"
    assert say.p(0.0412) == "0,041"


def test_counts_and_lists():
    say = read_wording()
    assert say.choose("count.flush", 1) == "1 flush"
    assert say.choose("count.flush", 3) == "3 flushes"
    assert say.listed(["a", "b"], "or") == "a or b"


def test_an_unknown_locale_is_named_with_the_remedy():
    with pytest.raises(ReportError, match="'xx-nowhere' is not known"):
        read_wording("xx-nowhere")


def test_a_translation_is_one_file_and_gaps_are_english(monkeypatch):
    real = catalogue._entries
    own = {"section.layout": "Was gemacht wurde"}
    monkeypatch.setattr(catalogue, "_entries", lambda name: own if name == "de" else real(name))
    read_wording.cache_clear()
    try:
        say = read_wording("de_AT")
    finally:
        read_wording.cache_clear()
    assert say.language == "de"
    assert say.text("section.layout") == "Was gemacht wurde"
    assert say.text("section.delivered") == read_wording().text("section.delivered")


def test_values_with_braces_are_only_values():
    assert "{harm}" in read_wording().text(
        "answer.question", level="{harm}", reference="x", noun="yield"
    )


@pytest.fixture
def polish(monkeypatch):
    """Stand in for a language with more plural forms than English: CLDR rules of Polish."""
    real = catalogue._entries
    own = {
        "count.flush.one": "{count} rzut",
        "count.flush.few": "{count} rzuty",
        "count.flush.many": "{count} rzutów",
        "count.flush.other": "{count} rzutu",
        "finding.test_gap": "{hours:.1f} h w {chamber}",
    }
    monkeypatch.setattr(catalogue, "_entries", lambda name: own if name == "pl" else real(name))
    read_wording.cache_clear()
    yield
    read_wording.cache_clear()


@pytest.mark.parametrize(
    ("count", "said"), [(1, "1 rzut"), (3, "3 rzuty"), (5, "5 rzutów"), (22, "22 rzuty")]
)
def test_a_count_takes_the_plural_of_its_language(polish, count, said):
    with speaking("pl"):
        assert str(message("count.flush", count=count)) == said


def test_a_finding_is_said_in_the_language_in_use(polish):
    found = Finding("test_gap", "note", message("finding.test_gap", hours=4.56, chamber="T1"))
    with speaking("pl"):
        assert found.message == "4,6 h w T1"
    assert found.values == {"hours": 4.56, "chamber": "T1"}
    assert spoken().language == "en"


def test_a_finding_says_how_grave_it_is_in_words():
    found = finding("files_unnamed", "caution", files=["a.csv"])
    assert str(found).startswith("Caution: ")
    assert str(Finding("anything", "stop", "words of my own")) == "Stop: words of my own"


def test_values_are_written_by_the_locale():
    say = read_wording("de")
    assert say.written(4.56, ".1f") == "4,6"
    assert say.written(0.01234, ".2g") == "0,012"
    assert say.written(20.0, ".3g") == "20"
    assert say.written(0.0, ".3g") == "0"
    assert say.written(2.5, ".3g") == "2,5"
    assert say.written(122740, ",") == "122.740"
    assert say.written(2.5, "+.1f") == "+2,5"
    assert say.written(-2.5, "+.1f") == "−2,5"
    assert say.written(1234) == "1234"  # a line or a year is no amount
    assert say.written(np.int64(1234)) == "1234"
    assert say.written(["a", "b"]) == "a und b"
    assert say.written(float("nan"), ".1f") == "–"
    with pytest.raises(ValueError, match="write a number as"):
        say.written(1.0, ">10")


def test_an_unknown_language_is_named_with_the_choice():
    with pytest.raises(ReportError, match="no words in the language 'xx'; choose from en"):
        read_wording("en", "xx")


def test_every_note_of_a_row_is_in_the_catalogue():
    """Every note that a table can carry is known; its English stays as it is."""
    from trialkit.model.answers.means import NO_ERROR, NOT_ESTIMABLE
    from trialkit.model.answers.ratio_search import NO_LIMITS
    from trialkit.model.inference.validity import FEW_DF, NO_DF
    from trialkit.wording.row_notes import _patterns, note_words

    plain = [NOT_ESTIMABLE, NO_ERROR, NO_LIMITS, FEW_DF, NO_DF]
    plain += ["no finite limits: the reference mean has no standard error"]
    known = [key for note in plain for key, pattern in _patterns() if pattern.fullmatch(note)]
    assert len(known) == len(set(known)) == len(plain)
    longer = "no finite limits: almost no degrees of freedom left (0.31)"
    longer += "; only 0.5 to 0.7 and -1.25 to 3e+04 can be ruled out"
    english = read_wording()
    assert [note_words(note, english) for note in plain] == plain
    assert note_words(longer, english) == longer.replace("-1.25 to 3e+04", "−1.25 to 30,000")
    assert note_words("a word of the grower", english) == "a word of the grower"


@pytest.mark.skipif("de" not in languages(), reason="no German catalogue here")
def test_numbers_in_a_note_are_written_by_the_locale():
    from trialkit.wording.row_notes import note_words

    said = note_words("the ratios not rejected leave out 0.5 to 0.75", read_wording("de"))
    assert "0,5 bis 0,75" in said


def test_numbers_too_large_to_be_written_out_are_powers_of_ten():
    """Scientific notation by the locale (Unicode CLDR); nothing is too large to be said."""
    assert read_wording("en").number(1.5e25).replace("\u00a0", "") == "1.5E25"
    assert read_wording("de").number(-3.2e300, 2) == "−3,2E300"
    assert read_wording("en").text("cli.next", what="x")  # and words are as they were
