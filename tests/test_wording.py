"""The catalogue is complete and used; numbers and dates are as each locale writes them."""

import datetime as dt
import re
from pathlib import Path
from string import Formatter

import pytest

import trialkit
from trialkit import wording
from trialkit.errors import ReportError
from trialkit.wording import read_wording

PACKAGE = Path(trialkit.__file__).parent
SOURCES = [*(PACKAGE / "report").glob("*.py"), *(PACKAGE / "figures").glob("*.py")]
SOURCES += [PACKAGE / "report" / "page.html.j2", PACKAGE / "cli" / "pictures.py"]
TEXT = "\n".join(p.read_text(encoding="utf-8") for p in SOURCES)
WHOLE_KEYS = re.findall(
    r"""(?:text|choose|either)\(\s*["']([a-z_]+\.[a-z_.]+[a-z])["'][,)]""", TEXT
)


def test_every_key_that_the_code_asks_for_is_in_the_catalogue():
    entries = read_wording().entries
    assert len(set(WHOLE_KEYS)) > 100
    for key in WHOLE_KEYS:
        assert key in entries or f"{key}.one" in entries, key


def test_every_key_of_the_catalogue_is_used():
    """A key is used by its name, or by its group where the code puts names together."""
    groups = set(re.findall(r"""f["']([a-z_]+(?:\.[a-z_]+)*)\.\{""", TEXT))
    quoted = set(re.findall(r"""["']([a-z_]+\.[a-z_.]+[a-z])["']""", TEXT))
    groups |= {"term", "glossary", "column"} | {k.rstrip(".") for k in quoted}
    groups |= set(re.findall(r"""["']([a-z_]+(?:\.[a-z_]+)*)\.["'] \+""", TEXT))
    for key in read_wording().entries:
        parents = {key.rsplit(".", n)[0] for n in range(1, key.count(".") + 1)}
        assert key in quoted or parents & groups, key


def test_every_text_is_well_formed_and_names_its_places():
    for key, text in read_wording().entries.items():
        for _, name, spec, conversion in Formatter().parse(text):
            assert name is None or re.fullmatch(r"[a-z_]+", name), key
            assert not spec, key
            assert not conversion, key


@pytest.mark.parametrize(
    ("locale", "number", "day"),
    [
        # Unicode CLDR number patterns and medium dates of these locales
        ("en", "1,234.5", "13 Jan 2031"),
        ("en_GB", "1,234.5", "13 Jan 2031"),
        ("de-CH", "1’234.5", "13.01.2031"),
        ("de", "1.234,5", "13.01.2031"),
        ("fr", "1\u202f234,5", "13 janv. 2031"),
    ],
)
def test_numbers_and_dates_follow_the_locale(locale, number, day):
    say = read_wording(locale)
    assert say.number(1234.5, 1) == number
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
    real = wording._entries
    own = {"section.done": "Was gemacht wurde"}
    monkeypatch.setattr(wording, "_entries", lambda name: own if name == "de" else real(name))
    read_wording.cache_clear()
    try:
        say = read_wording("de_AT")
    finally:
        read_wording.cache_clear()
    assert say.language == "de"
    assert say.text("section.done") == "Was gemacht wurde"
    assert say.text("section.got") == read_wording().text("section.got")


def test_values_with_braces_are_only_values():
    assert "{harm}" in read_wording().text(
        "answer.question_one", level="{harm}", reference="x", noun="yield"
    )
