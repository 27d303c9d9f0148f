"""Files of strangers: what is written is read back, and what cannot be true is refused."""

import dataclasses
import json

import pytest

import trialkit as tk
from tests.federation.test_pool import answer
from tests.small_trials import make_data, make_trial
from trialkit.decision.fingerprint import data_fingerprint
from trialkit.decision.pooling import log_ratio
from trialkit.errors import AnswerFileError, ModelError
from trialkit.federation.answer import answer_of_trial
from trialkit.federation.answer_file import LARGEST, least_se, read_answer, write_answer
from trialkit.federation.gather import answer_files, gather_answers
from trialkit.wording import finding


@pytest.fixture
def written(tmp_path):
    """Give a sound file's content and a function that writes a changed one."""
    path = write_answer(answer(1, -0.05, 0.04), tmp_path / "sound.json")
    data = json.loads(path.read_text(encoding="utf-8"))

    def change(where, value):
        copy = json.loads(json.dumps(data))
        *parts, last = where.split(".")
        inner = copy
        for part in parts:
            inner = inner[part]
        inner[last] = value
        target = tmp_path / "changed.json"
        target.write_text(json.dumps(copy), encoding="utf-8")
        return target

    return data, change


def test_an_answer_is_read_back_as_it_was(tmp_path):
    one = answer(7, -0.05123456789012345, 0.04, rig={"mist_l_h": 1.5},
                 level_setting={"on_s": 20.0}, title="Größer “oder” <b>",
                 depends_on="light")  # fmt: skip
    back = read_answer(write_answer(one, tmp_path / "a.json"))
    assert dataclasses.replace(back, source=one.source) == one


def test_a_file_that_says_nothing_of_what_it_depends_on_is_read(written):
    data, change = written
    part = {k: v for k, v in data["result"].items() if k != "depends_on"}
    assert read_answer(change("result", part)).depends_on == ""


def test_the_answer_of_a_trial_is_that_of_its_analysis(tmp_path):
    """8 runs of each schedule, six blocks each, weighed once: 4 x 4 runs, 96 weights."""
    trial = make_trial(tmp_path)
    result = tk.analyse(trial, make_data(trial, effect=0.95, seed=3))
    got = answer_of_trial(result, level="sparse")
    assert (got.estimate, got.se) == log_ratio(result, "sparse")
    assert got.counts == {"batches": 4, "chambers": 4, "runs": 16, "blocks": 96, "weights": 96}
    assert got.fingerprint == data_fingerprint(result)
    assert got.level_setting == {"on_s": 20.0, "off_s": 460.0}
    text = write_answer(got, tmp_path / "a.json").read_text(encoding="utf-8")
    weights = {f"{w:.1f}" for w in result.data.table["fresh_g"]}
    assert not any(w in text for w in weights)  # no weight leaves the farm
    stopped = dataclasses.replace(result, findings=(finding("few_trials", "stop", trials=1),))
    with pytest.raises(ModelError, match="no answer to share"):
        answer_of_trial(stopped, level="sparse")


@pytest.mark.parametrize(
    ("where", "value", "says"),
    [
        ("result.standard_error", 0.0, "standard_error"),
        ("result.standard_error", -0.1, "standard_error"),
        ("result.standard_error", 1e-6, "less than 96 weights can give"),
        ("result.standard_error", 50.0, "standard_error"),
        ("result.standard_error", True, "standard_error"),
        ("result.standard_error", "0.04", "standard_error"),
        ("result.estimate", 9.0, "estimate"),
        ("result.df", 1000.0, "more than 96 weights allow"),
        ("result.measure", "difference", "measure"),
        ("counts.weights", 3, "counts"),
        ("counts.runs", 0, "runs"),
        ("counts.blocks", 10**12, "blocks"),
        ("counts.more", 1, "counts.more"),
        ("fingerprint", "abc", "fingerprint"),
        ("begun", "2031-13", "begun"),
        ("title", "a" * 500, "title"),
        ("title", "left\u202eright", "cannot be seen"),
        ("result.depends_on", "li\u202eght", "cannot be seen"),
        ("question.level", "usual", "with itself"),
        ("question.level_setting", {"rm -rf": 1.0}, "not known"),
        ("rig", {f"k{i}": 1.0 for i in range(50)}, "rig"),
        ("trialkit_answer", 2, "newer trialkit"),
        ("trialkit_answer", True, "trialkit_answer"),
        ("path", "../../etc/passwd", "path"),
    ],
)
def test_what_cannot_be_true_is_refused_with_its_place(written, where, value, says):
    _, change = written
    with pytest.raises(AnswerFileError, match=says):
        read_answer(change(where, value))


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "no JSON"), (b"[]", "valid dictionary"), (b"null", "valid dictionary"),
        (b"\xff\xfe", "not text in UTF-8"), (b"[" * 15_000, "no JSON"),
        (b'{"a": 1, "a": 2}', "appears twice"), (b'{"a": NaN}', "is no number"),
        (b'{"a": ' + b"9" * 9000 + b"}", "no JSON"), (b" " * (LARGEST + 1), "larger than"),
    ],
)  # fmt: skip
def test_what_is_no_answer_is_refused(tmp_path, content, says):
    path = tmp_path / "odd.json"
    path.write_bytes(content)
    with pytest.raises(AnswerFileError, match=says):
        read_answer(path)


def test_every_fault_is_told_and_a_missing_part_named(written, tmp_path):
    data, _ = written
    del data["counts"], data["fingerprint"]
    path = tmp_path / "short.json"
    path.write_text(json.dumps(data), encoding="utf-8")
    with pytest.raises(AnswerFileError) as problem:
        read_answer(path)
    assert {f.where for f in problem.value.faults} == {"counts", "fingerprint"}


def test_the_least_standard_error_is_that_of_two_means():
    """By hand: 50 weights each that vary by 1 %; sqrt(0.01² / 50 + 0.01² / 50)."""
    assert least_se(100) == pytest.approx((2 * 0.01**2 / 50) ** 0.5)


def test_an_answer_that_others_would_refuse_is_not_written(tmp_path):
    with pytest.raises(AnswerFileError, match="standard_error"):
        write_answer(answer(1, 0.0, 1e-9), tmp_path / "a.json")
    with pytest.raises(AnswerFileError, match="json"):
        write_answer(answer(1, 0.0, 0.04), tmp_path / "trial.toml")
    assert list(tmp_path.iterdir()) == []


def test_a_folder_of_files_is_read_and_what_is_bad_set_aside_with_its_reason(tmp_path):
    for i in range(4):
        write_answer(answer(i, i / 100, 0.04), tmp_path / f"a{i}.json")
    write_answer(answer(2, 0.02, 0.04, title="copy"), tmp_path / "b.json")
    (tmp_path / "c.json").write_text("{}", encoding="utf-8")
    (tmp_path / "notes.txt").write_text("not looked at", encoding="utf-8")
    (tmp_path / "d.json").symlink_to(tmp_path / "a0.json")
    got = gather_answers([], answer_files(tmp_path))
    assert [a.source for a in got.answers] == [f"a{i}.json" for i in range(4)]
    assert [source for source, _ in got.aside] == ["c.json", "b.json"]
    assert "a2.json" in str(got.aside[1][1])
    empty = tmp_path / "empty"
    empty.mkdir()
    with pytest.raises(AnswerFileError, match="holds 0 files"):
        answer_files(empty)
