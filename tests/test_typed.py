"""What a user writes is seen by a type checker, options included."""

import subprocess
import sys

import pytest

SCRIPT = """
import trialkit as tk

trial = tk.read_trial("here")
plan = tk.assign(trial, seed=3)
logs = {"harvest": tk.read_harvest(trial), "climate": tk.read_environment(trial)}
data = tk.align(trial, logs["harvest"], logs["climate"], tk.read_mist(trial), plan=plan)
result = tk.analyse(trial, data)
means = result.fit.means("schedule", by="light")
shown = result.fit.differences("schedule", against="usual", adjust="dunnett", level=0.9)
verdict = tk.decide(trial, result)
tk.write_report(trial, result, verdict, "report.html", locale="en")
"""
REVEALED = {"plan": "Plan", "means": "DataFrame", "shown": "DataFrame", "verdict": "Verdict"}
MISTAKES = {
    'result.fit.differences("schedule", gainst="usual")': 'Unexpected keyword argument "gainst"',
    "result.fit.mean": 'has no attribute "mean"',
    "tk.decide()": "Missing positional arguments",
    "tk.assign_all(trial)": 'has no attribute "assign_all"',
}


def check(tmp_path, text):
    pytest.importorskip("mypy")
    path = tmp_path / "mine.py"
    path.write_text(text, encoding="utf-8")
    command = [sys.executable, "-m", "mypy", "--strict", "--cache-dir", str(tmp_path / "c")]
    ran = subprocess.run(
        [*command, str(path)], capture_output=True, text=True, check=False, cwd=tmp_path
    )
    return ran.stdout


@pytest.mark.slow
def test_a_users_script_is_typed_and_its_mistakes_are_refused(tmp_path):
    seen = check(tmp_path, SCRIPT + "".join(f"reveal_type({name})\n" for name in REVEALED))
    assert "error" not in seen
    for kind in REVEALED.values():
        assert f'{kind}"' in seen
    seen = check(tmp_path, SCRIPT + "\n".join(MISTAKES) + "\n")
    for told in MISTAKES.values():
        assert told in seen
    assert seen.count("error:") == len(MISTAKES)
