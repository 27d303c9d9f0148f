"""Put the guided notebooks beside a trial, set to that trial."""

from __future__ import annotations

import json
import re
from pathlib import Path

from trialkit.errors import TrialkitError
from trialkit.whole_files import write_whole


def notebook_folder() -> Path:
    """Find the notebooks: in a checkout, or inside the installed package.

    Examples
    --------
    >>> sorted(path.name for path in notebook_folder().glob("*.ipynb"))[0]
    '1_design.ipynb'
    """
    package = Path(__file__).resolve().parents[1]
    for folder in (package / "_notebooks", package.parent / "notebooks"):
        if any(folder.glob("*.ipynb")):
            return folder
    raise TrialkitError(
        "the notebooks are not installed with this copy of trialkit → install it again"
    )


def copy_notebooks(folder: str | Path) -> list[Path]:
    """Copy the notebooks to ``folder/notebooks``, leaving those that are there as they are.

    Parameters
    ----------
    folder : str or Path
        The trial's folder; made if need be. It may still lack a trial file.

    Returns
    -------
    list of Path
        The notebooks that were copied.
    """
    out = Path(folder) / "notebooks"
    out.mkdir(parents=True, exist_ok=True)
    wrote = []
    for source in sorted(notebook_folder().glob("*.ipynb")):
        target = out / source.name
        if target.exists():
            continue
        write_whole(target, _set_folder(source.read_text(encoding="utf-8"), ".."))
        wrote.append(target)
    return wrote


def _set_folder(text: str, folder: str) -> str:
    """Set `folder` in the cell tagged ``parameters``."""
    book = json.loads(text)
    for cell in book["cells"]:
        if "parameters" in cell.get("metadata", {}).get("tags", []):
            source = "".join(cell["source"])
            source = re.sub(r'(?m)^folder = "[^"]*"', f'folder = "{folder}"', source)
            cell["source"] = source.splitlines(keepends=True)
    return json.dumps(book, ensure_ascii=False, indent=1) + "\n"
