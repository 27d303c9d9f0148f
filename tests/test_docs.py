"""What the documentation shows is done: commands run and say what stands below them, code runs."""

import re
import shlex
import shutil
import tomllib
from dataclasses import dataclass
from pathlib import Path

import pytest
from typer.testing import CliRunner

import trialkit as tk
from trialkit.cli import build

DOCS = Path(__file__).parents[1] / "docs"
PAGES = sorted(p for folder in ("learn", "how", "why") for p in (DOCS / folder).glob("*.md"))
FENCE = re.compile(r"^```(?P<kind>\S+)(?: +(?P<language>\S+))?\n(?P<body>.*?)^```$", re.M | re.S)


@dataclass(frozen=True)
class Shown:
    """One framed part of a page: a file, commands with what they print, or code."""

    kind: str
    caption: str
    body: str


def shown_in(page: Path) -> list[Shown]:
    """Give the framed parts of a page in order."""
    parts = []
    for found in FENCE.finditer(page.read_text(encoding="utf-8")):
        caption = re.match(r":caption: (.*)\n\n?", found["body"])
        body = found["body"][caption.end() :] if caption else found["body"]
        kind = found["language"] if found["kind"].startswith("{") else found["kind"]
        parts.append(Shown(kind or found["kind"], caption[1] if caption else "", body))
    return parts


def plain(text: str) -> str:
    return " ".join(text.split())


def run_commands(body: str) -> None:
    """Run each line after $; each line below it must be part of what is printed."""
    for piece in re.split(r"^\$ ", body, flags=re.M)[1:]:
        command, *wanted = piece.splitlines()
        name, *words = shlex.split(command)
        assert name == "trialkit", command
        if words[0] == "demo":  # has tests of its own; here its folder is enough
            continue
        told = CliRunner().invoke(build(rich_help=False), words)
        # `check` ends with 1 as long as a log is missing
        allowed = {0, 1} if words[0] == "check" else {0}
        assert told.exit_code in allowed, f"{command}\n{told.output}"
        printed = plain(told.output)
        missing = [line for line in wanted if plain(line) not in printed]
        assert not missing, f"{command} does not print {missing}\n{told.output}"


def write_files(parts: list[Shown]) -> None:
    """Write the files that a page shows, once their trial is there."""
    for part in parts:
        if part.kind == "text" and part.caption.endswith(".csv"):
            path = Path(part.caption)
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(part.body, encoding="utf-8")
            other = path.with_name("right.csv")
            shutil.copy(path, other)
        elif part.caption.startswith("add to "):
            with Path(part.caption.removeprefix("add to ")).open("a", encoding="utf-8") as file:
                file.write("\n" + part.body)


def with_demo(page: Path) -> bool:
    return any("trialkit-demo" in part.body for part in shown_in(page))


@pytest.mark.parametrize(
    "page",
    [pytest.param(p, id=p.stem, marks=[pytest.mark.slow] * with_demo(p)) for p in PAGES],
)
def test_what_a_page_shows_is_so(page, tmp_path, monkeypatch):
    parts = shown_in(page)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "200")
    space: dict[str, object] = {}
    if with_demo(page):
        shutil.copytree(tk.demo_folder(), "trialkit-demo")
    for number, part in enumerate(parts):
        if part.kind == "console":
            first, *rest = re.split(r"^(?=\$ )", part.body, flags=re.M)[1:]
            run_commands(first)
            write_files(parts[:number])
            run_commands("".join(rest))
        elif part.kind == "toml":
            tomllib.loads(part.body)
        elif part.kind == "python":
            exec(compile(part.body, page.name, "exec"), space)


def test_pages_show_something_to_try():
    assert sum(part.kind == "console" for page in PAGES for part in shown_in(page)) >= 8
