"""The invented scenario that `data/demo` is made from, and where to find it."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

__all__ = ["copy_demo", "demo_folder", "write_demo"]


def demo_folder() -> Path:
    """Find the demo trial: in a checkout, or inside the installed package.

    Returns
    -------
    Path
        A folder holding ``trial.toml``, ``plan/`` and ``logs/``. Copy it before changing it.

    Raises
    ------
    TrialkitError
        If the package was installed without its demo.

    Examples
    --------
    >>> (demo_folder() / "trial.toml").exists()
    True
    """
    package = Path(__file__).resolve().parents[1]
    for folder in (package / "_demo", package.parent / "data" / "demo"):
        if (folder / "trial.toml").is_file():
            return folder
    from trialkit.errors import TrialkitError

    raise TrialkitError("the demo is not installed with this copy of trialkit → install it again")


def copy_demo(folder: str | Path) -> Path:
    """Copy the invented trial to a folder of your own, to try things on.

    Parameters
    ----------
    folder : str or Path
        Made if need be. Files of the demo replace files of the same name; others stay.

    Returns
    -------
    Path
        The folder.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as spare:
    ...     sorted(path.name for path in copy_demo(spare).iterdir())
    ['README.md', 'logs', 'plan', 'trial.toml']
    """
    import shutil

    from trialkit.whole_files import whole_folder

    source, out = demo_folder(), Path(folder)
    with whole_folder(out) as spare:
        for path in sorted(p for p in source.rglob("*") if p.is_file()):
            if ".cache" in path.parts:
                continue  # what reading the demo in its place left behind
            target = spare / path.relative_to(source)
            target.parent.mkdir(parents=True, exist_ok=True)
            try:
                shutil.copyfile(path, target)
            except OSError as problem:
                problem.filename, problem.filename2 = str(out / target.name), None
                raise
    return out


#: When the invented plan was drawn.
DRAWN = dt.datetime(2031, 1, 6, 18, 0, tzinfo=dt.UTC)


def write_demo(folder: str | Path) -> list[Path]:
    """Make the whole invented scenario in a folder, from the seed in its trial file.

    Parameters
    ----------
    folder : str or Path
        Where to write; made if need be. Files of the same names are replaced.

    Returns
    -------
    list of Path
        Every file written.

    Notes
    -----
    The same text every time. Packed logs carry no time stamp; their packed bytes may differ
    between builds of the compression library, what they hold does not.

    Examples
    --------
    >>> import tempfile
    >>> import trialkit as tk
    >>> made = tk.write_demo(tempfile.mkdtemp())  # doctest: +SKIP
    """
    import shutil
    import tempfile

    from trialkit.demo.writing import demo_texts, write_texts
    from trialkit.design.plan import assign
    from trialkit.trial import read_trial

    out = Path(folder)
    (out / "plan").mkdir(parents=True, exist_ok=True)
    source, target = demo_folder() / "trial.toml", out / "trial.toml"
    if source.resolve() != target.resolve():
        shutil.copyfile(source, target)
    trial = read_trial(out)
    plan = assign(trial)
    wrote = [target, *write_texts(out, demo_texts(trial, plan.table))]
    with tempfile.TemporaryDirectory() as spare:
        # drawn where nothing is harvested yet, as it would have been
        shutil.copyfile(target, Path(spare) / "trial.toml")
        assign(read_trial(spare)).write(spare, now=DRAWN)
        for name in ("assignment.csv", "plan.json"):
            made = Path(spare) / "plan" / name
            wrote.append(Path(shutil.copyfile(made, out / "plan" / name)))
    return wrote
