"""Build the documentation, offline: python docs/make_site.py [folder]. A warning stops it."""

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import nbformat
from nbclient import NotebookClient

import trialkit as tk
from trialkit.columns import COLUMNS
from trialkit.wording import read_wording

HERE = Path(__file__).resolve().parent
MADE = HERE / "_made"
#: The list of changes has nearly every word, and would stand first in nearly every search.
UNSOUGHT = {"CHANGELOG.md": "---\nnosearch: true\n---\n\n", "DEVELOPERS.md": ""}


def main(folder: Path, *, run_notebooks: bool) -> None:
    """Write what is made from the code, then the pages."""
    shutil.rmtree(MADE, ignore_errors=True)
    MADE.mkdir()
    (MADE / "columns.md").write_text(columns(), encoding="utf-8")
    (MADE / "words.md").write_text(words(), encoding="utf-8")
    keep_notebooks(run=run_notebooks)
    for name in UNSOUGHT:
        text = (HERE.parent / name).read_text(encoding="utf-8")
        (MADE / name).write_text(UNSOUGHT[name] + from_the_root(text), encoding="utf-8")
    command = [sys.executable, "-m", "sphinx", "-W", "--keep-going", "-q", "-d", MADE / "trees"]
    subprocess.run([*command, HERE, folder], check=True)


def words() -> str:
    """Return the words of the report with what they mean, as a list."""
    say = read_wording("en")
    names = [key.removeprefix("term.") for key in say.entries if key.startswith("term.")]
    return "\n\n".join(f"{say.text(f'term.{n}')}\n: {say.text(f'glossary.{n}')}" for n in names)


def columns() -> str:
    """Return the columns and their units as a page."""
    rows = ["# Columns and units", "", "| column | what it holds | unit |", "|---|---|---|"]
    for name, column in sorted(COLUMNS.items()):
        rows.append(f"| `{name}` | {column.meaning} | {column.unit or ''} |")
    return "\n".join([*rows, ""])


def from_the_root(text: str) -> str:
    """Return a page of the root with links that lead on from here."""
    on = {"](docs/": "](../", "](benchmarks/README.md)": "](../benchmarks.md)"}
    for old, new in on.items():
        text = text.replace(old, new)
    return text


def keep_notebooks(*, run: bool) -> None:
    """Write the notebooks, run on the invented demo so that their pictures show."""
    with tempfile.TemporaryDirectory() as spare:
        shutil.copytree(tk.demo_folder(), Path(spare) / "trialkit-demo")
        for path in sorted((HERE.parent / "notebooks").glob("*.ipynb")):
            book = nbformat.read(path, as_version=4)
            if run:
                NotebookClient(
                    book,
                    timeout=600,
                    resources={"metadata": {"path": spare}},
                    # what a kernel says of its own connection is no warning of a page
                    extra_arguments=["--IPKernelApp.log_level=ERROR"],
                ).execute()
            # names, not this machine's folders
            written = nbformat.writes(book).replace(f"{spare}/", "")
            (MADE / path.name).write_text(written, encoding="utf-8")


if __name__ == "__main__":
    places = [name for name in sys.argv[1:] if not name.startswith("--")]
    main(Path(places[0] if places else "site"), run_notebooks="--as-written" not in sys.argv)
