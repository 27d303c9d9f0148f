"""The command line: what it prints, writes, refuses, and how it ends."""

import json
import math
import os
import pty
import re
import select
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pandas as pd
import pytest
from typer.testing import CliRunner

import trialkit as tk
from tests.small_trials import simulate_less
from trialkit.cli import build
from trialkit.cli.files import write_tables
from trialkit.tabular import plain_value
from trialkit.whole_files import whole_folder

COMMANDS = [
    "demo", "new", "power", "plan", "size", "status", "today", "check", "analyse", "report",
    "export", "next", "pool", "lab",
]  # fmt: skip


@pytest.fixture
def run():
    app = build(rich_help=False)
    runner = CliRunner()

    def call(*arguments, **options):
        return runner.invoke(app, [str(a) for a in arguments], **options)

    return call


@pytest.fixture
def small(begun, tmp_path):
    """Give each test a copy of its own."""
    return Path(shutil.copytree(begun, tmp_path / "small"))


@pytest.fixture(scope="module")
def begun(tmp_path_factory):
    """Begin a trial of two chambers, with its plan and a filled-in harvest sheet, no loggers."""
    folder = tmp_path_factory.mktemp("begun") / "small"
    app = build(rich_help=False)

    def run(*arguments):
        return CliRunner().invoke(app, [str(a) for a in arguments])

    made = run("new", folder, "--chambers", "left,right", "--batches", 4, "--blocks", 4,
               "--flushes", 2, "--time-zone", "Europe/Vienna", "--seed", 11)  # fmt: skip
    assert made.exit_code == 0, made.output
    assert run("plan", folder).exit_code == 0
    sheet = pd.read_csv(folder / "plan" / "harvest_sheet.csv", dtype=str, keep_default_na=False)
    sheet["date"] = "2031-02-01"
    effect = tk.read_plan(tk.read_trial(folder)).table.set_index("unit")["schedule"]
    base = sheet["unit"].map(effect).map({"usual": 400, "sparse": 395})
    # spread by run, block and row, without chance: remainders of the row number
    rows = pd.Series(range(len(sheet)))
    sheet["fresh_g"] = (base + 7 * (rows % 5) + 11 * (rows % 3) - 13 * (rows % 7)).astype(str)
    sheet["status"] = "ok"
    sheet.to_csv(folder / "logs" / "harvest.csv", index=False)
    return folder


def test_help_lists_every_command_with_an_example(run):
    whole_help = run("--help").output
    for name in COMMANDS:
        line = re.search(rf"^  {name} .*", whole_help, re.M)
        assert line, name
        assert line[0].endswith("."), "cut short"
        assert not line[0].endswith("..."), "cut short"
        page = run(name, "--help")
        assert page.exit_code == 0
        assert f"trialkit {name}" in page.output.split("Examples:")[1]
        assert "--json" in page.output
        assert "--debug" in page.output


@pytest.mark.parametrize(
    "start", [["-m", "trialkit"], ["-c", "from trialkit.cli import main; main()"]]
)
def test_the_version_is_told_however_trialkit_is_started(start):
    done = subprocess.run(
        [sys.executable, *start, "--version"], capture_output=True, text=True, check=True
    )
    assert done.stdout == f"trialkit {tk.__version__}\n"


@pytest.mark.parametrize(
    "arguments",
    [
        [], ["nonsense"], ["--nonsense"], ["status", "here", "there"],
        ["status", "--language", "xx"], ["status", "--language", "xx-nowhere"],
        ["status", "--locale", "xx-nowhere"],
        ["power", "--lost", "101"], ["plan", "--seed", "-1"], ["lab", "--port", "none"],
    ],
)  # fmt: skip
def test_wrong_usage_ends_with_2(run, small, monkeypatch, arguments):
    monkeypatch.chdir(small)
    assert run(*arguments).exit_code == 2


def test_help_is_plain_in_a_pipe():
    done = subprocess.run(
        [sys.executable, "-c", "from trialkit.cli import main; main()", "--help"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert "\x1b" not in done.stdout
    assert "╭" not in done.stdout
    assert "..." not in done.stdout.split("Commands:")[1], "cut short"


def test_help_loads_nothing_heavy():
    code = (
        "import sys; from trialkit.cli import build; build(rich_help=False);"
        "print(sorted({'pandas', 'numpy', 'scipy', 'matplotlib', 'pydantic'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]" or done.stdout.strip() == "['pydantic']"


def test_a_new_trial_runs_at_once(run, tmp_path):
    made = run("new", tmp_path / "mine", "--seed", 3)
    assert made.exit_code == 0
    assert "trialkit power" in made.output
    trial = tk.read_trial(tmp_path / "mine")
    assert trial.primary.control == "usual"
    planned = run("plan", tmp_path / "mine")
    assert planned.exit_code == 0
    assert (tmp_path / "mine" / "plan" / "assignment.csv").exists()
    for line in planned.output.splitlines():
        if line.startswith("wrote "):
            assert Path(line.removeprefix("wrote ")).exists()


def test_options_of_new_end_up_in_the_trial(run, tmp_path):
    made = run(
        "new", tmp_path / "t", "--title", 'Is "less" enough?', "--species", "shiitake",
        "--time-zone", "America/Chicago", "--chambers", "left,right,shed", "--batches", 3,
        "--shelves", "top,bottom", "--blocks", 2, "--flushes", 2, "--now", "30/300",
        "--versus", "sparse=30 s every 630 s", "--versus", "banded=85-90%", "--margin", 8,
        "--seed", 5, "--second", "light:dim,bright",
    )  # fmt: skip
    assert made.exit_code == 0, made.output
    trial = tk.read_trial(tmp_path / "t")
    assert (trial.title, trial.species, trial.seed) == ('Is "less" enough?', "shiitake", 5)
    assert trial.time_zone == "America/Chicago"
    assert trial.levels["chamber"] == ("left", "right", "shed")
    assert trial.levels["shelf"] == ("top", "bottom")
    assert (trial.flushes, len(trial.levels["batch"]), len(trial.levels["block"])) == (2, 3, 2)
    levels = trial.factors["schedule"].levels
    assert (levels["usual"].on_s, levels["sparse"].off_s) == (30, 600)
    assert levels["banded"].stop_above_rh == 90
    assert trial.question.margin_pct == 8
    assert list(trial.factors["light"].levels) == ["dim", "bright"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--versus", "sparse"], "NAME=SETTING"),
        (["--batches", "0"], "greater than or equal to 1"),
        (["--nonsense", "1"], "nonsense"),
    ],
)
def test_wrong_usage_of_new_ends_with_2_and_writes_nothing(run, tmp_path, arguments, words):
    done = run("new", tmp_path / "t", *arguments)
    assert done.exit_code == 2
    assert words in done.output
    assert not (tmp_path / "t").exists()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--versus", "sparse=often"], "is not a schedule"),
        (["--time-zone", "Mars/Base"], "Mars/Base"),
        (["--chambers", "1", "--batches", "1"], "nothing is left to judge chance by"),
    ],
)
def test_a_trial_that_could_not_run_is_not_written(run, tmp_path, arguments, words):
    done = run("new", tmp_path / "t", *arguments)
    assert done.exit_code == 1
    assert words in done.output
    assert not (tmp_path / "t").exists()


def test_new_never_overwrites_a_trial(run, small):
    before = (small / "trial.toml").read_bytes()
    assert run("new", small).exit_code == 2
    assert (small / "trial.toml").read_bytes() == before


@pytest.mark.parametrize("command", ["plan", "power", "status", "check", "analyse", "report"])
def test_a_folder_that_is_no_trial_is_wrong_usage(run, tmp_path, command):
    assert run(command, tmp_path / "nowhere").exit_code == 2
    done = run(command, tmp_path)
    assert done.exit_code == 2
    assert "trialkit new" in done.output


def test_faults_of_the_trial_file_are_listed_together_with_code_1(run, small):
    text = (small / "trial.toml").read_text(encoding="utf-8")
    text = text.replace("margin_pct", "margn_pct").replace('"Europe/Vienna"', '"Europa/Wien"')
    (small / "trial.toml").write_text(text.replace("block     = 4", "block     = 0"))
    done = run("status", small)
    assert done.exit_code == 1
    assert "3 problems to fix" in done.output
    for words in ("margin_pct", "Europa/Wien", "0 is not a possible count"):
        assert words in done.output
    told = json.loads(run("status", small, "--json").stdout)
    assert (told["exit"], len(told["faults"])) == (1, 3)


def test_a_plan_is_the_same_again_and_another_seed_gives_another(run, small):
    first = json.loads(run("plan", small, "--json").stdout)
    again = json.loads(run("plan", small, "--json").stdout)
    assert first["hash"] == again["hash"]
    assert {Path(p).name for p in first["wrote"]} >= {"assignment.csv", "plan.json"}


def test_plan_asks_for_dates_only_where_some_are_missing(run, small):
    told = " ".join(run("plan", small).output.split())
    assert told.endswith("write the dates under [batches] in the trial file.")
    text = (small / "trial.toml").read_text(encoding="utf-8")
    dates = "".join(f"B{i} = {{ start = 2099-0{i}-05 }}\n" for i in (1, 2, 3, 4))
    (small / "trial.toml").write_text(text.replace("[batches]\n", f"[batches]\n{dates}"))
    told = " ".join(run("plan", small).output.split())
    assert told.endswith("The dates of all batches are in the trial file already.")


def test_a_plan_of_a_trial_that_has_begun_is_kept(run, small):
    before = (small / "plan" / "assignment.csv").read_bytes()
    done = run("plan", small, "--seed", 99)
    assert done.exit_code == 1
    assert "--beside" in done.output
    assert (small / "plan" / "assignment.csv").read_bytes() == before
    done = run("plan", small, "--seed", 99, "--beside")
    assert done.exit_code == 0
    assert (small / "plan-old-1" / "assignment.csv").read_bytes() == before


def test_status_leads_from_step_to_step(run, tmp_path):
    folder = tmp_path / "t"
    run("new", folder, "--seed", 1)
    told = json.loads(run("status", folder, "--json").stdout)
    assert told["next"].startswith("see what the trial can find: trialkit power")
    run("plan", folder)
    told = json.loads(run("status", folder, "--json").stdout)
    steps = {row["step"]: row["state"] for row in told["steps"]}
    assert (steps["plan"], steps["batches"], steps["harvest"]) == ("done", "to do", "to do")
    assert "[batches]" in told["next"]


def test_status_names_the_day_of_a_first_batch_to_come(run, small):
    (small / "logs" / "harvest.csv").unlink()
    assert "write its date under [batches]" in " ".join(run("status", small).output.split())
    text = (small / "trial.toml").read_text(encoding="utf-8")
    dates = "B1 = { start = 2099-03-05 }\nB2 = { start = 2099-02-05 }\n"
    (small / "trial.toml").write_text(text.replace("[batches]\n", f"[batches]\n{dates}"))
    told = " ".join(run("status", small).output.split())
    assert "start the first batch on 5 Feb 2099" in told
    assert "write its date" not in told


def test_a_changed_plan_needs_care(run, small):
    path = small / "plan" / "assignment.csv"
    path.write_text(path.read_text().replace("usual", "sparse", 1))
    done = run("status", small)
    assert "! needs attention" in done.output
    assert "has been changed" in done.output
    assert "fix the plan" in done.output


@pytest.mark.parametrize("record", ["{not json", "[]", '{"seed": 1}'])
def test_a_broken_plan_stops_every_command_in_the_same_words(run, small, record):
    (small / "plan" / "plan.json").write_text(record, encoding="utf-8")
    told = run("status", small).output.replace("\n", " ")
    assert "! needs attention" in told
    for command in ("check", "analyse", "report"):
        done = run(command, small)
        assert done.exit_code == 1
        assert "cannot be read" in done.output.replace("\n", " ")
    assert not (small / "report.html").exists()


def test_a_plan_laid_out_by_hand_is_done(run, small):
    (small / "plan" / "plan.json").unlink()
    done = run("status", small)
    assert "laid out by hand" in done.output
    assert "make the plan" not in done.output


def test_harvest_alone_is_enough_to_check_analyse_and_report(run, small):
    checked = run("check", small)
    assert checked.exit_code == 0, checked.output
    ledger = pd.read_csv(small / "results" / "files.csv")
    assert (ledger["read"] == ledger["kept"] + ledger["set_aside"]).all()
    analysed = json.loads(run("analyse", small, "--json").stdout)
    assert analysed["answer"] in {"better", "no worse", "worse", "not enough evidence"}
    assert pd.read_csv(small / "results" / "means.csv")["level"].tolist() == ["usual", "sparse"]
    reported = run("report", small, "--to", small / "friday.html")
    assert reported.exit_code == 0, reported.output
    assert f"wrote {small / 'friday.html'}" in reported.output
    assert analysed["sentence"] in reported.output.replace("\n", " ")
    assert (small / "friday.html").read_text(encoding="utf-8").startswith("<!")
    assert not list(small.glob(".*"))  # no spare folders left


def test_json_is_one_object_and_nothing_else(run, small):
    for command in ("status", "plan", "check", "analyse"):
        done = run(command, small, "--json")
        told = json.loads(done.stdout)
        assert told["command"] == command
        assert told["exit"] == done.exit_code == 0
        assert all(Path(path).exists() for path in told["wrote"])


def test_debug_brings_the_traceback_and_nothing_else_does(run, small):
    (small / "logs" / "harvest.csv").write_text("no,such,columns\n1,2,3\n")
    plain = run("check", small)
    assert plain.exit_code == 1
    assert "Traceback" not in plain.output
    assert "Traceback" in run("check", small, "--debug").output


def test_a_fault_of_our_own_is_called_ours(run, small, monkeypatch):
    import trialkit.status

    def broken(trial):
        raise ZeroDivisionError("nothing to divide")

    monkeypatch.setattr(trialkit.status, "trial_status", broken)
    done = run("status", small)
    assert done.exit_code == 3
    assert "trialkit itself failed" in done.output
    assert "Traceback" not in done.output


def test_files_appear_whole_or_not_at_all(tmp_path):
    folder = tmp_path / "results"
    write_tables(folder, {"a": pd.DataFrame({"x": [1]})})

    def half_way():
        with whole_folder(folder) as spare:
            (spare / "a.csv").write_text("half")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        half_way()
    assert (folder / "a.csv").read_text() == "x\n1\n"
    assert [p.name for p in tmp_path.iterdir()] == ["results"]


def test_json_values_are_plain():
    import numpy as np

    table = pd.DataFrame({"p": [np.nan], "n": [np.int64(3)], "t": [pd.Timestamp("2031-01-01")]})
    assert plain_value({"table": table, "s": {"a"}, "inf": np.inf}) == {
        "table": [{"p": None, "n": 3, "t": "2031-01-01 00:00:00"}], "s": ["a"], "inf": None,
    }  # fmt: skip


def test_lab_copies_notebooks_beside_the_trial_and_leaves_mine(run, tmp_path):
    folder = tmp_path / "t"
    done = run("lab", folder, "--no-start")
    assert done.exit_code == 0, done.output
    names = sorted(p.name for p in (folder / "notebooks").iterdir())
    assert "1_design.ipynb" in names
    assert [n for n in names if not n.endswith(".ipynb")] == ["trial-folder.txt"]
    cell = next(
        c for c in json.loads((folder / "notebooks" / "1_design.ipynb").read_text())["cells"]
        if "parameters" in c["metadata"].get("tags", [])
    )  # fmt: skip
    assert 'folder = ""' in "".join(cell["source"])
    assert (folder / "notebooks" / "trial-folder.txt").read_text() == "..\n"
    (folder / "notebooks" / "1_design.ipynb").write_text("mine")
    assert run("lab", folder, "--no-start").exit_code == 0
    assert (folder / "notebooks" / "1_design.ipynb").read_text() == "mine"


def test_demo_refuses_a_folder_that_is_not_its_own(run, tmp_path, small):
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "letter.txt").write_text("dear")
    for folder in (tmp_path / "full", small, tmp_path / "full" / "letter.txt"):
        assert run("demo", folder).exit_code == 2
    assert (tmp_path / "full" / "letter.txt").read_text() == "dear"


def talk(arguments, answers, *, environment=None):
    """Run a command on a terminal of its own, answer its questions, and give what it showed."""
    pid, terminal = pty.fork()
    if pid == 0:
        os.environ.update({"COLUMNS": "100", "TERM": "xterm-256color", **(environment or {})})
        os.execv(sys.executable, [sys.executable, "-c", "from trialkit.cli import main; main()",
                                  *map(str, arguments)])  # fmt: skip
    seen, told, left, deadline = b"", 0, list(answers), time.time() + 240
    while True:
        # a busy machine may take long to begin: only the end, or too long a wait, is an end
        ready, _, _ = select.select([terminal], [], [], max(0.0, deadline - time.time()))
        if not ready:
            os.kill(pid, signal.SIGKILL)
            break
        try:
            part = os.read(terminal, 4096)
        except OSError:
            part = b""
        if not part:
            break
        seen += part
        if left and seen[told:].rstrip().endswith(b"]:"):
            os.write(terminal, left.pop(0).encode() + b"\n")
            seen += b"\n"
            told = len(seen)  # the same question is answered once
    _, status = os.waitpid(pid, 0)
    os.close(terminal)
    return os.waitstatus_to_exitcode(status), seen.decode()


@pytest.mark.skipif(os.name == "nt", reason="needs a terminal of Unix kind")
def test_new_asks_on_a_terminal_and_writes_the_answers(tmp_path):
    answers = ["", "", "Berlin", "left,right", "5", "", "", "2", "", "85 to 90 %", "", "", ""]
    code, seen = talk(["new", tmp_path / "t"], answers)
    assert code == 0, seen
    trial = tk.read_trial(tmp_path / "t")
    assert trial.time_zone == "Europe/Berlin"
    assert trial.levels["chamber"] == ("left", "right")
    assert (len(trial.levels["batch"]), trial.flushes) == (5, 2)
    assert trial.factors["schedule"].levels["banded"].start_below_rh == 85
    # what was shown before writing is what is drawn afterwards
    shown = re.findall(r"^ *B1 +(\w+) +(\w+)", seen.replace("\r", ""), flags=re.MULTILINE)
    plan = tk.assign(trial).assignment("schedule").set_index(["batch", "chamber"])["schedule"]
    assert shown == [(plan["B1", "left"], plan["B1", "right"])]
    assert seen.index("Who would receive what") < seen.index("wrote ")


@pytest.mark.skipif(os.name == "nt", reason="needs a terminal of Unix kind")
def test_a_wrong_answer_is_asked_again_with_the_reason_and_none_is_lost(tmp_path):
    answers = [
        "Is less enough?", "", "Munich", "Berlin", "a,a", "a,b,c", "many", "3", "top,bottom",
        "2", "1", "often", "20 s every 5 min", "20/280", "30 s on, 5 min off; 85 to 92 %",
        "light", "light: dim, bright", "all", "8 %",
        "5", "6",  # at the end: the number of the fifth answer, and another one
        "yes",
    ]  # fmt: skip
    code, seen = talk(["new", tmp_path / "t"], answers)
    assert code == 0, seen
    told = " ".join(seen.split())
    for reason in (
        "no city or country called “Munich”",
        "each needs its own name: a",
        "“many” is not a whole number from 1 to 200",
        "“often” is not a schedule",
        "“20/280” is the same as usual",
        "“light”: write a name and its levels",
        "“all” is not a loss in %",
    ):
        assert reason in told
    trial = tk.read_trial(tmp_path / "t")
    assert trial.title == "Is less enough?"
    assert len(trial.levels["batch"]) == 6
    assert trial.levels["shelf"] == ("top", "bottom")
    levels = trial.factors["schedule"].levels
    assert (levels["usual"].on_s, levels["usual"].off_s) == (20, 280)
    assert (levels["dense"].on_s, levels["dense"].off_s) == (30, 300)
    assert (levels["banded"].start_below_rh, levels["banded"].stop_above_rh) == (85, 92)
    assert list(trial.factors["light"].levels) == ["dim", "bright"]
    assert trial.factors["light"].stratum == "batch:chamber:shelf"
    assert trial.question.margin_pct == 8


@pytest.mark.skipif(os.name == "nt", reason="needs a terminal of Unix kind")
def test_answers_that_make_no_trial_are_changed_not_lost(tmp_path):
    answers = ["", "", "", "1", "1", "", "", "", "", "", "", "", "5", "4", "4", "2", ""]
    code, seen = talk(["new", tmp_path / "t"], answers)
    assert code == 0, seen
    told = " ".join(re.sub(r"\x1b\[[0-9;]*m", "", seen).split())
    assert "nothing is left to judge chance by" in told
    assert "your answers: 1 problem to fix" in told
    assert "trial.toml: " not in told  # no file is there yet
    assert not re.search(r"\(line \d+\)", told)
    counts = tk.read_trial(tmp_path / "t").counts
    assert (counts["batch"], counts["chamber"]) == (4, 2)


@pytest.mark.skipif(os.name == "nt", reason="needs a terminal of Unix kind")
def test_colours_on_a_terminal_and_none_with_no_color(tmp_path):
    folder = tmp_path / "t"
    code, seen = talk(["new", folder, "--seed", "1"], [])
    assert code == 0
    assert "\x1b[32m" in seen  # green: what was written
    code, seen = talk(["plan", folder], [], environment={"NO_COLOR": "1"})
    assert code == 0
    assert not re.search(r"\x1b\[[0-9;]*3[0-9]m", seen)


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="needs Unix signals")
def test_an_interrupted_demo_leaves_nothing_half_written(tmp_path):
    folder = tmp_path / "demo"
    process = subprocess.Popen(
        [sys.executable, "-c", "from trialkit.cli import main; main()", "demo", str(folder)],
        stderr=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        # a shell that starts tests in the background has children ignore the signal
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )  # fmt: skip
    deadline = time.time() + 60
    while not (folder / "trial.toml").exists() and time.time() < deadline:
        time.sleep(0.05)
    time.sleep(2)
    process.send_signal(signal.SIGINT)
    _, complaint = process.communicate(timeout=300)
    assert process.returncode == 130
    assert "Nothing was left half-written" in complaint
    assert not (folder / "report.html").exists()
    assert not (folder / "results").exists()
    assert not list(folder.glob(".*"))


@pytest.mark.slow
def test_the_demo_runs_end_to_end_and_ends_by_naming_the_report(tmp_path):
    folder = tmp_path / "demo"
    done = subprocess.run(
        [sys.executable, "-c", "from trialkit.cli import main; main()", "demo", str(folder)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.rstrip().splitlines()[-1] == f"wrote {folder / 'report.html'}"
    assert "\x1b" not in done.stdout
    again = shutil.copytree(folder, tmp_path / "second")
    told = subprocess.run(
        [sys.executable, "-c", "from trialkit.cli import main; main()", "status", str(again),
         "--json"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert {row["step"]: row["state"] for row in json.loads(told.stdout)["steps"]}["report"]


@pytest.mark.parametrize("name", ["short", "usual"])
def test_two_schedules_of_one_name_are_refused_not_dropped(run, tmp_path, name):
    done = run("new", tmp_path / "x", "--versus", "short=15/135", "--versus", f"{name}=15/140")
    assert done.exit_code == 2
    assert f"'{name}' appears twice" in " ".join(done.output.split())
    assert not (tmp_path / "x").exists()


def test_a_command_to_type_has_a_folder_with_blanks_in_quotes(run, tmp_path):
    made = run("new", tmp_path / "my tents", "--chambers", 2, "--batches", 4)
    assert f'trialkit power "{tmp_path / "my tents"}"' in made.output
    assert f'trialkit plan "{tmp_path / "my tents"}"' in run("status", tmp_path / "my tents").output


def test_a_folder_inside_a_trial_is_told_where_the_trial_is(run, small):
    done = run("check", small / "plan")
    assert done.exit_code == 2
    told = re.sub(r"\s+", "", done.output)
    assert f"thetrialarounditis{small.resolve()}" in told
    assert "trialkitnew" not in told


def test_check_prints_each_row_set_aside_with_its_place_and_remedy(run, small):
    sheet = pd.read_csv(small / "logs" / "harvest.csv", dtype=str, keep_default_na=False)
    sheet.loc[3, "fresh_g"] = "2l0"
    sheet.loc[5, "unit"] = "B9-left-1"
    sheet.to_csv(small / "logs" / "harvest.csv", index=False)
    shown = run("check", small).output
    part = shown.split("Rows set aside and values not used")[1].split("What was found")[0]
    assert "logs/harvest.csv row 5, fresh_g: this is not a number (2l0) → correct the cell" in part
    assert "logs/harvest.csv row 7, unit: no unit of the trial has this code (B9-left-1)" in part


def test_a_log_file_that_nothing_names_is_told(run, small):
    (small / "logs" / "climate_left.csv").write_text("time,humidity\n2031-01-13 09:00,88\n")
    (small / "logs" / "~$harvest.xlsx").write_bytes(b"lock")
    (small / "logs" / ".hidden").write_bytes(b"")
    told = json.loads(run("check", small, "--json").stdout)
    found = [
        f["message"].rsplit(": ")[-1] for f in told["findings"] if f["code"] == "files_unnamed"
    ]
    assert found == ["logs/climate_left.csv"]


def test_analyse_says_each_caution_once_and_keeps_all_in_the_record(run, small):
    sheet = pd.read_csv(small / "logs" / "harvest.csv", dtype=str, keep_default_na=False)
    sheet.loc[3, "fresh_g"] = ""
    sheet.to_csv(small / "logs" / "harvest.csv", index=False)
    shown = run("analyse", small).output
    told = json.loads(run("analyse", small, "--json").stdout)["findings"]
    assert {"missing_response", "units_missing"} <= {f["code"] for f in told}
    assert len(told) == len({json.dumps(f) for f in told})
    assert all(shown.count(f["message"]) == 1 for f in told if f["severity"] == "caution")


def test_power_says_whether_it_is_enough_and_what_would_be(run, small, monkeypatch):
    simulate_less(monkeypatch, 1000)
    told = json.loads(run("power", small, "--json").stdout)
    shown = run("power", small).output
    assert "Too small" in shown
    needed = {row["unit"]: row for row in told["needed"]}
    assert f"batches alone: {needed['batch']['needed']:.0f} instead of 4" in shown
    assert "more blocks alone are never enough" in shown
    # what is called enough is enough: the trial with that count reaches the power, give or take
    # what lies between the formula, which counts are found by, and the simulation of that layout
    text = (small / "trial.toml").read_text(encoding="utf-8")
    enough = f"batch = {needed['batch']['needed']:.0f}"
    (small / "trial.toml").write_text(re.sub(r"batch +=.*", enough, text, count=1), "utf-8")
    larger = json.loads(run("power", small, "--json").stdout)
    assert min(row["power"] for row in larger["power"]) > 0.77
    assert min(row["power"] for row in told["power"]) < 0.6


def test_power_names_the_mix_of_units_that_needs_least(run, tmp_path, monkeypatch):
    simulate_less(monkeypatch)
    run("new", tmp_path / "x", "--chambers", 3, "--batches", 6, "--seed", 11)
    record = json.loads(run("power", tmp_path / "x", "--json").stdout)
    first, told = record["cheapest"][0], record["changes"]
    shown = run("power", tmp_path / "x").output
    line = f"{first['batch']} batches, {first['chamber']} chambers, {first['block']} blocks in each"
    assert f"mix with few units that is enough: {line} ({100 * first['power']:.0f} %)" in shown
    # three chambers are simulated, the additions are not: the line says what they start from
    start = re.search(r"a simpler formula, which gives (\d+) % for the layout as it is", shown)
    assert int(start[1]) == round(100 * told[0]["chance"])
    assert shown.index(start[0]) > shown.index("How this was worked out")
    for row in told[1:4]:
        loss = math.ceil(row["detectable_pct"])
        line = f"instead of {row['now']}: {loss} % can be told from none"
        assert f"{line} (chance with 10 %: {100 * row['chance']:.0f} %)" in shown
    [larger] = [row for row in told if row["change"] == "larger loss accepted"]
    left = f"an accepted loss of {larger['margin_pct']:.0f} % instead of 10 % has a chance of"
    assert left in " ".join(shown.split())


def test_power_says_first_what_can_be_found_and_shows_tables_when_asked(run, small, monkeypatch):
    simulate_less(monkeypatch)
    shown = run("power", small).output
    first = "What you can find with what you have"
    assert 0 <= shown.index(first) < shown.index("What each change would buy")
    told = json.loads(run("power", small, "--json").stdout)["changes"][0]
    loss = f"you can tell a loss of {math.ceil(told['detectable_pct'])} % from none, 8 times in 10"
    assert loss in " ".join(shown.split())
    assert "Variation assumed" not in shown
    tables = run("power", small, "--tables").output
    assert "Variation assumed" in tables


def test_one_box_is_led_to_an_order_of_its_starts_and_hears_what_a_second_buys(run, tmp_path):
    folder = tmp_path / "x"
    made = run("new", folder, "--chambers", 1, "--batches", 8, "--seed", 11).output
    assert "trialkit power" in made
    assert 'over_time = "trend"' in (folder / "trial.toml").read_text(encoding="utf-8")
    shown = " ".join(run("power", folder).output.split())
    assert "an order balanced against a trend over the starts" in shown
    assert re.search(r"With a second, equal box, \d batches would tell as much as 8", shown)
    drawn = " ".join(run("plan", folder).output.split())
    assert "an order balanced against a trend over the starts" in drawn
    assert "Time blocks (neighbouring starts hold each schedule once)" in drawn


def test_harvest_without_dates_of_batches_asks_for_them_and_does_not_begin_anew(run, small):
    told = json.loads(run("status", small, "--json").stdout)
    detail = next(row["detail"] for row in told["steps"] if row["step"] == "trial file")
    assert detail == "32 blocks, 2 flushes"
    sheet = pd.read_csv(small / "logs" / "harvest.csv", dtype=str, keep_default_na=False)
    sheet.head(9).to_csv(small / "logs" / "harvest.csv", index=False)
    told = json.loads(run("status", small, "--json").stdout)
    assert "write when each batch began" in told["next"]


def test_sheets_do_not_end_a_question_with_two_marks(run, tmp_path):
    run("new", tmp_path / "x", "--title", "Is it so?", "--chambers", 2)
    run("plan", tmp_path / "x")
    for name in ("cards.html", "checklist.html"):
        assert "?." not in (tmp_path / "x" / "plan" / name).read_text(encoding="utf-8")


def test_a_picture_of_check_says_what_its_marks_mean(small):
    from types import SimpleNamespace

    from trialkit.cli.timelines import _draw

    trial = tk.read_trial(small)
    start = pd.Timestamp("2031-01-13", tz="UTC")
    records = pd.DataFrame({"time": pd.date_range(start, periods=200, freq="10min")})
    records["rh_pct"] = 85.0 + records.index % 5
    runs = pd.DataFrame({"batch": ["B1"], "start": [start], "stop": [records["time"].max()]})
    settings = SimpleNamespace(band_low_rh=82.0, band_high_rh=95.0)
    data = SimpleNamespace(trial=trial, check=None, settings=settings)
    figure = _draw("left", records, runs, data, {})
    words = " ".join(text.get_text() for text in figure.axes[-1].texts).replace("\n", " ")
    for mark in ("Line:", "shade:", "Strip", "Hatched:", "Red edge", "Dashed:"):
        assert mark in words


def test_check_offers_the_section_for_files_that_nothing_describes(run, small):
    rows = "2031-01-14 10:00,59,88\n2031-01-14 10:10,60,87\n"
    path = small / "logs" / "export.csv"
    path.write_text(f'"Date Time, GMT+01:00","Temp, °F","RH, %"\n{rows}', encoding="utf-8")
    plain = run("check", small)
    assert plain.exit_code == 0, plain.output
    told = plain.output.replace("\n", " ")
    assert 'files = ["logs/export.csv"]' in told
    assert "which chamber is logs/export.csv from?" in told
    assert told.count("Next: ") == 1  # no analysis while a log waits to be described
    assert told.split("Next: ")[1].startswith("put the lines above into trial.toml")
    record = json.loads(run("check", small, "--json").stdout)
    [offer] = record["proposals"]
    assert offer["kind"] == "environment"
    assert 'units = { temp_c = "degF" }' in offer["section"]
    assert len(offer["questions"]) == 1


def test_check_reads_the_climate_although_the_harvest_cannot_be_read(run, small):
    (small / "logs" / "harvest.csv").write_text("no,such,columns\n1,2,3\n")
    chamber = next(iter(tk.read_trial(small).levels["chamber"]))
    climate = "time,temp_c\n2031-01-14 10:00,15\n2031-01-14 10:10,16\n"
    (small / "logs" / f"climate_{chamber}.csv").write_text(climate)
    with (small / "trial.toml").open("a") as out:
        out.write('\n[logs.environment]\nfiles = ["logs/climate_*.csv"]\n')
    done = run("check", small)
    assert done.exit_code == 1
    assert "climate log: 2 rows" in done.output
    assert "no column" in done.output


def test_check_reads_the_climate_before_there_is_any_harvest_log(run, small):
    """Every row is told, and files that nothing describes are offered, as with a harvest."""
    text = (small / "trial.toml").read_text(encoding="utf-8")
    assert "[logs.harvest]" in text
    chamber = next(iter(tk.read_trial(small).levels["chamber"]))
    bare = text.split("[logs.harvest]")[0]
    section = f'[logs.environment]\nfiles = ["logs/{chamber}.csv"]\n'
    rows = "2031-01-14 10:00,15\n2031-01-14 10:10,16\nlater,17\n"
    (small / "logs" / f"{chamber}.csv").write_text(f"time,temp_c\n{rows}", encoding="utf-8")
    (small / "trial.toml").write_text(bare + section, encoding="utf-8")
    done = run("check", small)
    told = " ".join(done.output.split())
    assert done.exit_code == 1
    assert "climate log: 2 rows" in told
    assert f"logs/{chamber}.csv row 4, time: the time cannot be read (later)" in told
    assert "names no harvest log" in told
    (small / "logs" / f"{chamber}.csv").write_text("time,temp_c\n" + rows[:-9], encoding="utf-8")
    (small / "trial.toml").write_text(bare, encoding="utf-8")
    assert f'files = ["logs/{chamber}.csv"]' in run("check", small).output.replace("\n", " ")


def test_check_says_which_empty_sheet_stands_in_for_a_harvest_to_come(run, small):
    """With the sheet copied as it says, the check runs to its end."""
    (small / "logs" / "harvest.csv").unlink()
    told = run("check", small)
    assert told.exit_code == 1
    sheet, to = re.search(r"copy (\S+) to (\S+),", " ".join(told.output.split())).groups()
    shutil.copy(small / sheet, small / to)
    after = run("check", small)
    assert after.exit_code == 0, after.output
    assert "nothing has been entered in the harvest sheet yet" in " ".join(after.output.split())


def test_check_names_no_sheet_where_none_would_fit(run, small):
    (small / "logs" / "harvest.csv").unlink()
    text = (small / "trial.toml").read_text(encoding="utf-8")
    for files in ("logs/*weights*.csv", "logs/harvest.ods"):
        (small / "trial.toml").write_text(text.replace("logs/harvest.*", files), encoding="utf-8")
        assert " copy " not in run("check", small).output


def test_a_climate_log_that_cannot_be_read_does_not_stop_the_weights(run, small):
    (small / "logs" / "climate.csv").write_text("a,b\n1,2\n")
    with (small / "trial.toml").open("a") as out:
        out.write('\n[logs.environment]\nfiles = ["logs/climate.csv"]\n')
    checked = run("check", small, "--json")
    assert checked.exit_code == 0, checked.output
    found = {f["code"]: f["severity"] for f in json.loads(checked.stdout)["findings"]}
    assert found["log_unread"] == "caution"
    told = " ".join(run("check", small).output.split())
    assert told.count("Next: ") == 1
    assert told.split("Next: ")[1].startswith("fix what could not be read")
    (small / "logs" / "climate.csv").unlink()
    missing = " ".join(run("check", small).output.split())
    assert missing.split("Next: ")[1].startswith("fix what could not be read")


def test_on_a_terminal_check_asks_what_is_open_and_writes_the_section(tmp_path, small, monkeypatch):
    from trialkit.cli.screen import Screen

    monkeypatch.setattr(Screen, "converses", property(lambda screen: not screen.as_json))
    rows = "2031-01-14 10:00,59,88\n2031-01-14 10:10,60,87\n"
    path = small / "logs" / "export.csv"
    path.write_text(f'"Date Time, GMT+01:00","Temp, °F","RH, %"\n{rows}', encoding="utf-8")
    before = (small / "trial.toml").read_text(encoding="utf-8")

    def check(answers):
        return CliRunner().invoke(build(rich_help=False), ["check", str(small)], input=answers)

    refused = check("\nn\n")  # the chamber left open, nothing written
    assert refused.exit_code == 0, refused.output
    assert (small / "trial.toml").read_text(encoding="utf-8") == before
    done = check("middle\n2\ny\n")  # no such chamber: asked again
    assert done.exit_code == 0, done.output
    assert done.output.count("which chamber is logs/export.csv from?") == 2
    after = (small / "trial.toml").read_text(encoding="utf-8")
    assert after.startswith(before.rstrip())
    section = tk.read_trial(small).logs["environment"]
    assert section.chamber == {"logs/export.csv": "right"}
    assert "logs/export.csv" in done.output.split("Rows read")[1]  # read at once
    assert "proposals" not in json.loads(
        CliRunner().invoke(build(rich_help=False), ["check", str(small), "--json"]).stdout
    )


def test_a_misspelt_place_names_the_trial_that_is_near(run, small, monkeypatch):
    monkeypatch.chdir(small.parent)
    beside = " ".join(run("check").output.replace("\u2502", " ").split())
    assert "did you mean small?" in beside
    assert "trialkit new" not in beside
    wrong = " ".join(run("check", "small/trail.toml").output.replace("\u2502", " ").split())
    assert "did you mean small/trial.toml?" in wrong
    near = " ".join(run("check", "smal2").output.replace("\u2502", " ").split())
    assert "there is no folder smal2; did you mean small?" in near
    (small.parent / "empty").mkdir()
    monkeypatch.chdir(small.parent / "empty")
    nothing = run("check")
    assert nothing.exit_code == 2
    assert "begin one with: trialkit new ." in " ".join(nothing.output.split())


def test_plan_says_what_it_did_about_a_covariate(run, tmp_path):
    folder = tmp_path / "x"
    run("new", folder, "--chambers", "left,right", "--batches", 4, "--seed", 11)
    with (folder / "trial.toml").open("a", encoding="utf-8") as out:
        out.write(
            '\n[covariates.window]\nuse = "block"\nby = "chamber"\n'
            'values = { left = "window", right = "inside" }\n'
            '[columns.start_g]\nlabel = "start"\nunit = "g"\nrange = [1, 9000]\npools = "last"\n'
            "[covariates.start_g]\n"
        )
    said = " ".join(run("plan", folder).output.split())
    assert "window: of 12 random plans the one was taken" in said
    assert "within one batch it may be uneven" in said
    assert "start_g: the plan did not look at it" in said
