"""The main job runs without what only notebooks need: JupyterLab, widgets, IPython."""

import os
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement

import trialkit as tk
from tests.bare_plans import write_bare
from tests.lived.garage import grow, write_garage

ROOT = Path(__file__).parents[1]
WITHOUT = """
import sys
for name in ("jupyterlab", "ipywidgets", "ipykernel", "IPython", "notebook"):
    sys.modules[name] = None  # importing it fails, as where it is not installed
from trialkit.cli import main
"""
#: Several commands in one process: one for each would only import everything again.
SEVERAL = """
import trialkit.cli.planning
trialkit.cli.planning._TRIALS_OF_POWER = 400  # nothing more is imported for 2000
folder, *commands = sys.argv[1:]
for command in commands:
    sys.argv[1:] = [command, folder]
    try:
        main()
        code = 0
    except SystemExit as end:
        code = end.code or 0
    print("ended", command, code, file=sys.stderr)
"""
COMMANDS = ["power", "status", "check", "analyse", "report", "export"]


def run(*arguments, script="main()"):
    """Run a command where the libraries of notebooks cannot be imported."""
    return subprocess.run(
        [sys.executable, "-c", WITHOUT + script, *map(str, arguments)],
        capture_output=True,
        text=True,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
    )


@pytest.fixture(scope="module")
def garage(tmp_path_factory):
    folder = tmp_path_factory.mktemp("garage")
    plan = tk.assign(write_garage(folder))
    write_bare(plan, folder)
    grow(folder, plan.table)
    return folder


@pytest.fixture(scope="module")
def told(garage):
    return run(garage, *COMMANDS, script=SEVERAL).stderr


@pytest.mark.slow
@pytest.mark.parametrize("command", COMMANDS)
def test_commands_run_without_the_libraries_of_notebooks(command, told):
    assert f"ended {command} 0\n" in told, told


def test_notebooks_say_what_is_missing(garage):
    done = run("lab", garage)
    assert done.returncode == 1
    assert "pip install jupyterlab ipywidgets" in done.stderr
    assert (garage / "notebooks" / "1_design.ipynb").exists()  # copied, though not opened


def test_what_is_imported_is_declared():
    """Every library that the package imports is a dependency, an extra, or comes with one."""
    import ast

    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"]
    declared = {
        Requirement(text).name.replace("-", "_").lower()
        for text in [*project["dependencies"], *extras["notebooks"], *extras["cluster"]]
    }
    comes_with = {"distributed", "markupsafe", "ipython", "click", "pydantic_core"}
    imported = set()
    for path in (ROOT / "trialkit").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                imported |= {alias.name.split(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module:
                imported.add(node.module.split(".")[0])
    imported = {name.lower() for name in imported} - set(sys.stdlib_module_names) - {"trialkit"}
    assert imported <= declared | comes_with
    core = {Requirement(t).name.replace("-", "_").lower() for t in project["dependencies"]}
    assert core - imported <= {"tzdata"}  # nothing is installed that nothing uses
