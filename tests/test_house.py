"""The house holds: stages import only from earlier ones, and importing is light."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "trialkit"

# Each stage with its place; a module may import only from places before or equal to its own.
ORDER = [
    {"errors", "display", "words", "columns", "findings"},
    {"structure"},
    {"trialtext"},
    {"trialfile"},
    {"trial", "trialcheck", "logcheck"},
    {"style", "wording"},
    {"air", "light", "cautions"},
    {"chamber"},
    {"model"},
    {"design"},
    {"logs"},
    {"alignment"},
    {"analysis", "batches_to_come", "flush_error", "randomisation", "dose", "outcomes"},
    {"decision"},
    {"figures"},
    {"report"},
    {"demo", "status", "templates", "explore"},
    {"cli"},
]
PLACE = {name: i for i, names in enumerate(ORDER) for name in names}


def imports(path):
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            assert node.level == 0, f"{path}: imports are absolute here"
            if node.module == "trialkit":
                yield from (f"trialkit.{alias.name}" for alias in node.names)
            else:
                yield node.module


MODULES = sorted(
    p for p in PACKAGE.rglob("*.py") if p.parent != PACKAGE or p.name not in ("__init__.py",)
)


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_a_module_imports_only_from_earlier_stages(path):
    parts = path.relative_to(PACKAGE).parts
    if parts[0].startswith("_"):
        return
    own = parts[0].removesuffix(".py")
    assert own in PLACE, f"{own} has no place in the order of stages"
    for name in imports(path):
        if name.startswith("trialkit."):
            other = name.split(".")[1]
            if other.startswith("__"):
                continue
            if other not in PLACE:  # a public name taken from the package: the outermost stages
                assert own in ("demo", "cli", "status", "report"), f"{path}: {name}"
                continue
            assert PLACE[other] <= PLACE[own], f"{path}: {own} may not know of {other}"


def test_the_engine_knows_nothing_of_trials_files_or_pages():
    for path in (PACKAGE / "model").rglob("*.py"):
        known = {n.split(".")[1] for n in imports(path) if n.startswith("trialkit.")}
        assert known <= {"errors", "display", "words", "model"}, f"{path}: {known}"


def test_importing_is_light():
    """`import trialkit` must load none of the heavy libraries."""
    code = (
        "import sys, trialkit; heavy = {'pandas', 'numpy', 'scipy', 'matplotlib', 'pydantic',"
        " 'statsmodels', 'duckdb', 'seaborn'} & set(sys.modules); print(sorted(heavy))"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"


def test_public_names_exist():
    import trialkit as tk

    for name in tk.__all__:
        assert getattr(tk, name) is not None


def test_no_public_name_is_also_a_module():
    """`import trialkit.x` would put the module where the function of that name was."""
    import trialkit as tk

    modules = {p.stem for p in PACKAGE.glob("*.py")} | {
        p.name for p in PACKAGE.iterdir() if p.is_dir()
    }
    assert not modules & set(tk.__all__)
