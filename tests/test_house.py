"""The house holds: stages import only from earlier ones, and importing is light."""

import ast
import functools
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "trialkit"

# Each stage with its place; a module may import only from places before or equal to its own.
ORDER = [
    {
        "errors",
        "arrays",
        "file_names",
        "formulas",
        "line_width",
        "short_repr",
        "visible_text",
        "whole_files",
    },
    {"tabular"},
    {"any_tables", "right_kind"},
    {"wording"},
    {"display", "shell", "triage", "units", "columns"},
    {"structure", "settings"},
    {"trial"},
    {"fit_text", "figure_frame", "style"},
    {"air", "light", "cautions"},
    {"chamber"},
    {"model"},
    {"surface"},
    {"design"},
    {"logs"},
    {"signals"},
    {"folder"},
    {"alignment"},
    {"analysis"},
    {"decision"},
    {"federation"},
    {"figures"},
    {"report"},
    {"pipeline", "next_plan"},
    {"own_answers"},
    {"archive"},
    {"demo", "status", "today", "templates", "explore", "explore_choices"},
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
        assert known <= {
            "errors",
            "arrays",
            "display",
            "wording",
            "short_repr",
            "tabular",
            "any_tables",
            "model",
        }, f"{path}: {known}"


def test_the_text_of_logs_is_read_without_a_trial_or_the_glossary():
    allowed = {"errors", "units", "logs", "wording", "visible_text", "file_names", "whole_files"}
    for path in (PACKAGE / "logs" / "text").rglob("*.py"):
        known = {n for n in imports(path) if n.startswith("trialkit.")}
        assert {n.split(".")[1] for n in known} <= allowed, f"{path}: {known}"
        inside = {n for n in known if n.startswith("trialkit.logs.")}
        assert all(n.startswith("trialkit.logs.text.") for n in inside), f"{path}: {inside}"


def module_name(path):
    return ".".join(path.relative_to(PACKAGE.parent).with_suffix("").parts).removesuffix(
        ".__init__"
    )


@functools.cache
def edges():
    """Give module → modules it imports, those inside functions and for type checkers counted."""
    modules = {module_name(path): path for path in [*MODULES, PACKAGE / "__init__.py"]}
    out = {name: set() for name in modules}
    for name, path in modules.items():
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                out[name] |= {alias.name for alias in node.names}
            elif isinstance(node, ast.ImportFrom):
                for alias in node.names:
                    inner = f"{node.module}.{alias.name}"
                    out[name].add(inner if inner in modules else node.module)
        out[name] = {other for other in out[name] if other in modules} - {name, "trialkit"}
    return out


def circles(graph):
    """Give the sets of two or more nodes that reach each other."""
    reach = {}
    for start in graph:
        seen, waiting = set(), list(graph[start])
        while waiting:
            node = waiting.pop()
            if node not in seen:
                seen.add(node)
                waiting += graph[node]
        reach[start] = seen
    found = {frozenset(b for b in reach[a] if a in reach[b]) for a in graph if a in reach[a]}
    return sorted(map(sorted, found))


def gathered(graph, depth):
    """Look at the same imports from further away: modules as rooms of at most `depth` names."""
    out = {}
    for name, others in graph.items():
        room = ".".join(name.split(".")[:depth])
        out.setdefault(room, set())
        out[room] |= {".".join(other.split(".")[:depth]) for other in others} - {room}
    return out


def test_circles_are_found():
    graph = {"a": {"b"}, "b": {"c"}, "c": {"b"}, "d": {"d"}, "e": set()}
    assert circles(graph) == [["b", "c"], ["d"]]
    rooms = {"p.x.a": {"p.y.b"}, "p.y.b": set(), "p.y.c": {"p.x.d"}, "p.x.d": set()}
    assert circles(rooms) == []
    assert circles(gathered(rooms, 2)) == [["p.x", "p.y"]]


@pytest.mark.parametrize("depth", [2, 3, 4, 9])
def test_nothing_imports_in_a_circle(depth):
    """From whatever distance one looks: modules, rooms, rooms of rooms."""
    assert circles(gathered(edges(), depth)) == []


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


def test_what_type_checkers_see_is_what_is_loaded():
    import trialkit as tk

    tree = ast.parse((PACKAGE / "__init__.py").read_text(encoding="utf-8"))
    guarded = next(n for n in tree.body if isinstance(n, ast.If))
    seen = {
        alias.asname: node.module
        for node in guarded.body
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }
    loaded = {n: home for home, names in tk._HOMES.items() for n in names}
    assert seen == loaded | dict.fromkeys(tk._MODULES, "trialkit")
    assert set(tk.__all__) == {"__version__", *loaded}
