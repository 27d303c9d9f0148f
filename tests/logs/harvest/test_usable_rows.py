"""A harvest sheet without one usable row stops the check, and the next step says what to mend."""

import pytest
from typer.testing import CliRunner

import trialkit as tk
from tests.bare_plans import write_bare
from tests.logs.folder import make_trial
from trialkit.cli import build
from trialkit.wording import speaking

LOGS = '\n[logs.harvest]\nfiles = ["logs/h.csv"]\n'
HEAD = "unit,flush,date,fresh_g\n"
WRONG = HEAD + "Batch 1-T1-top-1,1,2031-01-22,310\nBatch 1-T1-top-2,1,2031-01-22,300\n"
WAITING = HEAD + "B1-T1-top-1,1,,\nB1-T1-top-2,1,,\n"


def _trial(tmp_path, text):
    trial = make_trial(tmp_path, {"logs/h.csv": text.encode()}, LOGS)
    write_bare(tk.assign(trial), trial.folder)
    return trial


def _check(trial):
    result = CliRunner().invoke(build(rich_help=False), ["check", str(trial.folder)])
    (said,) = (x for x in " ".join(result.output.split()).split("Next: ")[1:])
    return result.exit_code, said


@pytest.mark.parametrize(
    ("text", "mend"),
    [(WRONG, "no batch is called “Batch 1”"), (HEAD, "enter the weights")],
    ids=["codes of no unit", "heads alone"],
)
def test_no_usable_row_ends_with_1_and_says_what_to_mend(tmp_path, text, mend):
    trial = _trial(tmp_path, text)
    code, said = _check(trial)
    assert code == 1
    assert mend in said
    assert "analyse" not in said
    status = tk.trial_status(trial)
    assert status.table.set_index("step").loc["harvest", "state"] == "needs care"


def test_a_sheet_that_waits_to_be_filled_in_is_no_fault(tmp_path):
    code, said = _check(_trial(tmp_path, WAITING))
    assert (code, said) == (0, "enter the weights as they are picked")


def test_the_reason_of_most_rows_is_given(tmp_path):
    trial = _trial(tmp_path, WRONG + "B1-T1-top-1,9,2031-01-22,310\n")
    (found,) = (f for f in tk.read_harvest(trial).findings if f.code == "no_usable_row")
    assert "2 of 3 because no unit of the trial has this code (Batch 1-T1-top-1)" in found.message
    with speaking(language="de"):
        assert "2 von 3" in found.message


def test_one_usable_row_is_enough(tmp_path):
    trial = _trial(tmp_path, WRONG + "B1-T1-top-1,1,2031-01-22,310\n")
    assert "no_usable_row" not in {f.code for f in tk.read_harvest(trial).findings}


def test_a_cell_of_thousands_of_figures_is_shortened_in_the_message(tmp_path):
    trial = _trial(tmp_path, HEAD + f"B1-T1-top-1,{'1' * 2000},2031-01-22,310\n")
    (found,) = (f for f in tk.read_harvest(trial).findings if f.code == "no_usable_row")
    assert "(1111" in found.message
    assert len(found.message) < 500
