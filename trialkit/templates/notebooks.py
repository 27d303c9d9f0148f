"""The guided notebooks: put beside a trial, and told which trial they are about."""

from __future__ import annotations

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


#: The one place that names the trial for all notebooks beside it.
PLACE_FILE = "trial-folder.txt"
_DEMO = "trialkit-demo"


def find_trial_folder(
    folder: str | Path = "", *, may_begin: bool = False, ranges: bool = False
) -> Path:
    """Find the trial that a notebook is about.

    Parameters
    ----------
    folder : str or Path
        The trial's folder. Left empty, it is the one that ``trial-folder.txt`` beside the
        notebook names; without that file, the invented demo, copied to ``trialkit-demo``.
    may_begin : bool
        Whether the folder may still lack a trial file, to begin a trial in it.
    ranges : bool
        Whether the demo is the one whose treatments are ranges, in ``trialkit-demo-tuned``.

    Returns
    -------
    Path

    Raises
    ------
    TrialkitError
        If a folder was named that is not there or holds no trial; those that do are listed. The
        demo never takes its place.

    Examples
    --------
    >>> import trialkit as tk
    >>> find_trial_folder(tk.demo_folder()) == tk.demo_folder()
    True
    """
    named, by = str(folder).strip(), "folder"
    if not named and Path(PLACE_FILE).is_file():
        named, by = Path(PLACE_FILE).read_text(encoding="utf-8").strip(), PLACE_FILE
    if not named:
        from trialkit.demo import copy_demo

        home = Path(f"{_DEMO}-tuned" if ranges else _DEMO)
        return home if (home / "trial.toml").is_file() else copy_demo(home, tuned=ranges)
    home = Path(named)
    if (home / "trial.toml").is_file() or (may_begin and home.is_dir()):
        return home
    what = "holds no trial.toml" if home.is_dir() else "is not there"
    raise TrialkitError(f"{by}: the folder {named!r} {what} → {_instead(home)}")


def _instead(home: Path) -> str:
    """Name the trials near a folder that is none."""
    places = dict.fromkeys([Path(), *([home.parent] if home.parent.is_dir() else []), Path("..")])
    found = [p for place in places for p in sorted(place.glob("*/trial.toml"))]
    found = list({p.parent.resolve(): p.parent for p in found}.values())
    if not found:
        return "begin a trial with: trialkit new my-trial"
    return f"folders with a trial: {', '.join(str(path) for path in found[:12])}"


def copy_notebooks(folder: str | Path) -> list[Path]:
    """Copy the notebooks to ``folder/notebooks``, leaving those that are there as they are.

    ``trial-folder.txt`` beside them names the trial for all of them.

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
    if not (out / PLACE_FILE).exists():
        write_whole(out / PLACE_FILE, "..\n")
    for source in sorted(notebook_folder().glob("*.ipynb")):
        target = out / source.name
        if target.exists():
            continue
        write_whole(target, source.read_text(encoding="utf-8"))
        wrote.append(target)
    return wrote
