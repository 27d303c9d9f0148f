"""The command line as it is used while things go wrong: killed, twice at once, on a full disk."""

import hashlib
import os
import resource
import signal
import subprocess
import sys
import time

import pandas as pd
import pytest

import trialkit as tk
from tests.bare_plans import write_bare
from tests.small_trials import make_trial

pytestmark = pytest.mark.slow
MORE = """
[batches]
B1 = { start = 2031-01-13T09:00:00, end = 2031-02-08T12:00:00 }
[logs.harvest]
files = ["logs/harvest.csv"]
[logs.environment]
files = ["logs/climate.csv"]
"""


@pytest.fixture(scope="module")
def trial(tmp_path_factory):
    """Begin a trial with a plan, a harvest and a climate log of more than a megabyte."""
    folder = tmp_path_factory.mktemp("reliability") / "trial"
    (folder / "logs").mkdir(parents=True)
    drawn = make_trial(folder, batches=4, chambers=2, more=MORE)
    write_bare(tk.assign(drawn), folder)
    sheet = pd.read_csv(folder / "plan" / "harvest_sheet.csv", dtype=str, keep_default_na=False)
    rows = pd.Series(range(len(sheet)))
    sheet["date"] = "2031-02-01"
    sheet["fresh_g"] = (400 + 7 * (rows % 5) + 11 * (rows % 3) - 13 * (rows % 7)).astype(str)
    sheet["status"] = "ok"
    sheet.to_csv(folder / "logs" / "harvest.csv", index=False)
    with (folder / "logs" / "climate.csv").open("w", encoding="utf-8") as log:
        log.write("time,chamber,temp_c,rh_pct\n")
        for i in range(40_000):
            day, minute = 14 + i // 2880, i // 2 % 1440
            chamber = ("C1", "C2")[i % 2]
            log.write(f"2031-01-{day:02d} {minute // 60:02d}:{minute % 60:02d},")
            log.write(f"{chamber},{20 + i % 9 / 10:.1f},{85 + i % 70 / 10:.1f}\n")
    return folder


def start(*arguments, **more):
    command = [sys.executable, "-m", "trialkit", *map(str, arguments)]
    return subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, **more
    )


def finish(process):
    out, err = process.communicate(timeout=300)
    return process.returncode, out + err


def sums(folder):
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in folder.iterdir()}


@pytest.fixture(scope="module")
def reference(trial):
    """Give what one undisturbed run writes, and how long it takes."""
    began = time.monotonic()
    code, words = finish(start("check", trial))
    assert code == 0, words
    return sums(trial / "results"), time.monotonic() - began


def test_two_commands_at_once_both_end_well_and_leave_the_same(trial, reference):
    both = [start("check", trial), start("check", trial)]
    for process in both:
        code, words = finish(process)
        assert code == 0, words
    assert sums(trial / "results") == reference[0]
    assert len(list((trial / ".cache" / "logs").glob("environment-*"))) == 1


@pytest.mark.parametrize("share", [0.3, 0.5, 0.7, 0.8, 0.9, 0.97])
def test_a_run_that_is_killed_leaves_each_file_whole_or_absent(trial, reference, share):
    expected, took = reference
    for path in (trial / "results").iterdir():
        path.unlink()
    process = start("check", trial)
    time.sleep(share * took)
    process.send_signal(signal.SIGKILL)
    process.communicate()
    for name, digest in sums(trial / "results").items():
        assert digest == expected[name]
    for left in trial.glob(".results-spare-*"):
        os.utime(left, (1, 1))  # as if it had lain there for long
    code, words = finish(start("check", trial))
    assert code == 0, words
    assert sums(trial / "results") == expected
    assert not list(trial.glob(".results-spare-*"))


@pytest.mark.parametrize("command", ["new", "plan", "check", "analyse", "report", "lab", "demo"])
def test_a_full_disk_names_the_place_and_what_to_do(trial, reference, command, tmp_path):
    """A limit on the size of files stands for a disk that fills up while they are written."""
    assert reference
    target = tmp_path / "made" if command in ("new", "demo", "lab") else trial
    before = sums(trial / "plan")
    extra = ["--no-start"] if command == "lab" else []
    process = start(
        command, *extra, target,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000)),
    )  # fmt: skip
    code, words = finish(process)
    assert code == 1, words
    assert "room" in words
    assert "Traceback" not in words
    assert str(target) in words or (command == "new" and "trial.toml" in words)
    assert sums(trial / "plan") == before
    assert not list(trial.glob(".*spare*"))
