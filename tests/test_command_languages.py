"""What people read follows the language asked for, in the commands and in the report."""

import re
import shutil
import tomllib

import pytest
from typer.testing import CliRunner

import trialkit as tk
from tests.languages import english_lines, english_words
from tests.report.wordy_pages import leave_out_pictures
from tests.small_trials import simulate_less
from trialkit.cautions import list_cautions
from trialkit.cli import build
from trialkit.status import trial_status
from trialkit.templates import _template, new_trial
from trialkit.wording import languages, speaking

#: Lines that are still English, by the area that says them. An area leaves when it is done.
ENGLISH_LEFT: dict[str, tuple[str, ...]] = {}
LEFT = [pattern for patterns in ENGLISH_LEFT.values() for pattern in patterns]
TITLE = "Can we mist less and lose nothing?"

needs_german = pytest.mark.skipif("de" not in languages(), reason="there is no German catalogue")


def call(*arguments):
    done = CliRunner().invoke(build(rich_help=False), [str(a) for a in arguments])
    assert done.exit_code == 0, done.output
    return done.output


@pytest.mark.slow
@needs_german
def test_commands_leave_no_english_behind_in_german(tmp_path, monkeypatch):
    simulate_less(monkeypatch)
    leave_out_pictures(monkeypatch)
    folder, begun = tmp_path / "demo", tmp_path / "begun"
    new_trial(begun, chambers=3, batches=3, shelves=["oben", "unten"], seed=5)
    for command in (["demo"], ["check"], ["analyse"], ["plan", "--beside"], ["power"], ["status"]):
        name, *options = command
        # the demo has more mixes of units to look through, and no other words for them
        said = call(name, begun if name == "power" else folder, *options, "--language", "de")
        assert len(said.splitlines()) > 5
        for caution in list_cautions(where="plan"):  # sources stay as they were published
            said = said.replace(f"[{caution.source}]", "")
        assert english_lines(said, names=[TITLE, "forgot to weigh"], left=LEFT) == [], name


def test_commands_are_found_out_where_a_line_is_english():
    line = "Next: read the file, then see what the trial can find: trialkit power mine/the/and.csv"
    assert english_words(line) == ["next", "the"]
    assert english_words("Als Nächstes: Lesen Sie „The end of it“ und plan/of.csv") == []
    assert english_lines("das ist gut\nthis is bad\nthat is left", left=["left$"]) == [
        "this is bad"
    ]


@needs_german
def test_commands_write_numbers_by_the_locale_and_words_by_the_language(tmp_path):
    new_trial(tmp_path / "t", chambers=2, seed=5)
    german, swiss, english = (
        call("status", tmp_path / "t", *options)
        for options in (["--language", "de"], ["--locale", "de_CH"], [])
    )
    assert "Als Nächstes: Sehen Sie nach, was der Versuch zeigen kann: trialkit power" in german
    assert german == swiss
    assert "Next: see what the trial can find: trialkit power" in english


@needs_german
def test_commands_that_begin_a_trial_write_its_file_in_the_language(tmp_path):
    call("new", tmp_path / "de", "--language", "de", "--seed", 5, "--shelves", "oben,unten")
    call("new", tmp_path / "en", "--seed", 5, "--shelves", "oben,unten")
    text = (tmp_path / "de" / "trial.toml").read_text(encoding="utf-8")
    notes = "\n".join(re.findall(r"(?<=# ).*", text))
    keys = [r"^\[|=|^batch|\"last\"|nach Feuchte", r"^Eintrag mit einem von", r"^renamed \("]
    assert english_lines(notes, left=keys) == []
    german, english = (tk.read_trial(tmp_path / name) for name in ("de", "en"))
    assert german.primary.control == "bisher"
    assert german.levels == english.levels
    assert [s.off_s for s in german.primary.levels.values()] == [220, 460]
    assert german.question == english.question


@pytest.mark.parametrize("language", languages())
def test_commands_begin_a_trial_with_the_same_keys_in_every_language(language):
    def keys(text):
        found = re.findall(r"(?m)^(?:# )?(\[{1,2}[a-z_.]+\]{1,2}|[a-z_.]+(?= *=))", text)
        return [re.sub(r"^levels\..*", "levels", key) for key in found]

    assert keys(_template(language)) == keys(_template("en"))
    assert set(re.findall(r"(?<!\{)\{(\w+)\}", _template(language))) == set(
        re.findall(r"(?<!\{)\{(\w+)\}", _template("en"))
    )


def test_commands_begin_a_trial_that_can_be_read_with_every_example_switched_on(tmp_path):
    """Remove the # before each example, as the file says, and the TOML still reads."""
    for language in languages():
        with speaking(language=language):
            made = new_trial(tmp_path / language, seed=1)
        text = made.read_text(encoding="utf-8")
        examples = re.sub(r"(?m)^# (?=\[|[a-z_.]+ *= )", "", text)
        read = tomllib.loads(examples)
        assert {"prices", "columns", "batches"} <= set(read)
        assert {"harvest", "environment", "mist"} == set(read["logs"])
        assert "light" in read["factors"]


@needs_german
def test_commands_and_notebooks_show_one_status_in_any_language(tmp_path):
    """The status is kept without words: the same result is said in either language."""
    shutil.copytree(tk.demo_folder(), tmp_path / "demo", ignore=shutil.ignore_patterns(".cache"))
    status = trial_status(tk.read_trial(tmp_path / "demo"))
    english = str(status)
    with speaking(language="de"):
        german = str(status)
    assert english_lines(german, names=[TITLE]) == []
    assert "plan" in english
    assert "randomised with seed 2031" in english
    assert "ausgelost mit Startzahl 2031" in german
