"""A trial as one archive: tables, data dictionary, plan, trial file, fingerprints, R script."""

from __future__ import annotations

import hashlib
import io
import tempfile
import zipfile
from pathlib import Path
from typing import TYPE_CHECKING

from trialkit.archive.dictionary import data_dictionary
from trialkit.archive.for_r import file_columns, write_for_r
from trialkit.archive.tables import result_tables
from trialkit.errors import ModelError, ReportError
from trialkit.formulas import without_formulas
from trialkit.pipeline import Pipeline
from trialkit.whole_files import write_whole
from trialkit.wording import spoken

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.analysis.result import Analysis
    from trialkit.model.fit import Fit
    from trialkit.trial import Trial

#: Moment written for every file in the archive, so that the same trial gives the same archive.
_NO_TIME = (1980, 1, 1, 0, 0, 0)
_PLAN_FILES = ("assignment.csv", "plan.json")


def write_archive(trial: Trial | str | Path, path: str | Path | None = None) -> Path:
    """Write one archive with which a colleague checks and repeats a trial elsewhere.

    It holds the analysed tables as CSV with a data dictionary, the results, the plan, the trial
    file, fingerprints of everything, and a script for R that fits the same model with lme4 and
    compares the numbers. The logs themselves stay where they are; their fingerprints are in it.

    Parameters
    ----------
    trial : Trial, str or Path
        The trial, or its folder.
    path : str or Path, optional
        The archive; ``archive.zip`` in the trial's folder by default.

    Returns
    -------
    Path
        The archive, written whole or not at all.

    Raises
    ------
    TrialkitError
        If the trial cannot be read or analysed, or its file changed meanwhile.

    Examples
    --------
    >>> import tempfile, zipfile, trialkit as tk
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     made = tk.write_archive(tk.demo_folder(), f"{folder}/demo.zip")
    ...     made.name, zipfile.is_zipfile(made)
    ('demo.zip', True)
    """
    return archive_of(Pipeline(trial), path)


def archive_of(job: Pipeline, path: str | Path | None = None) -> Path:
    """Write the archive of a trial on its way; see `write_archive`."""
    trial = job.trial
    target = trial.folder / "archive.zip" if path is None else Path(path)
    with tempfile.TemporaryDirectory(prefix="trialkit-archive-") as spare:
        folder = Path(spare)
        _copy_inputs(trial, folder)
        notes = _write_tables(job, folder)
        _write_text(folder / "READ_ME.txt", _read_me(job, notes))
        _write_csv(folder / "fingerprints.csv", _fingerprints(job, folder))
        packed = _pack(folder, target.stem)
    return write_whole(target, packed)


def _copy_inputs(trial: Trial, folder: Path) -> None:
    """Copy the trial file and the plan, as they were read."""
    if trial.source.is_file():
        held = trial.source.read_bytes()
        if hashlib.sha256(held).hexdigest() != trial.sha256:
            raise ReportError(f"{trial.source} was changed since it was read → run this again")
        (folder / "trial.toml").write_bytes(held)
    for name in _PLAN_FILES:
        source = trial.folder / "plan" / name
        if source.is_file():
            (folder / "plan").mkdir(exist_ok=True)
            (folder / "plan" / name).write_bytes(source.read_bytes())


def _write_tables(job: Pipeline, folder: Path) -> list[str]:
    """Write tables, results and what R needs; give what could not be made, in words."""
    tables: dict[str, pd.DataFrame] = {
        "data/analysed.csv": job.data.table,
        "data/chamber_runs.csv": job.data.runs,
        **{f"results/{name}.csv": table for name, table in result_tables(job).items()},
    }
    for name, table in tables.items():
        _write_csv(folder / name, table)
    if job.plan is not None:
        tables["plan/assignment.csv"] = job.plan.table
    notes, called = [], {}
    for place, fit, margins, logarithm in _models(job):
        try:
            write_for_r(fit, folder / place, margins=margins, logarithm=logarithm)
        except ModelError as problem:
            notes.append(spoken().text("archive.no_r", folder=place, problem=str(problem)))
            continue
        rows = f"{place}/rows.csv"
        tables[rows], called[rows] = file_columns(fit)
    _write_csv(
        folder / "data" / "dictionary.csv", data_dictionary(job.trial, tables, called=called)
    )
    return notes


def _models(job: Pipeline) -> list[tuple[str, Fit, dict[str, float], bool]]:
    """List the models to repeat: folder, fit, margin of the question, whether on a logarithm."""
    if job.trial.tuned:
        return [("r", job.best_setting.surface.fit, {}, False)]
    found = [_model("r", job.result)]
    if job.result.other is not None:
        other = "as-planned" if job.result.follows == "as given" else "as-given"
        found.append(_model(f"r-{other}", job.result.other))
    return found


def _model(place: str, result: Analysis) -> tuple[str, Fit, dict[str, float], bool]:
    edge = float(result.ratios["margin_ratio"].iloc[0]) if len(result.ratios) else None
    margins = {} if edge is None else {result.trial.primary.name: edge}
    return place, result.fit, margins, result.scale == "logarithm"


def _read_me(job: Pipeline, notes: list[str]) -> str:
    """Say what is in the archive, what the answer was, and how to repeat it."""
    import trialkit

    say, trial = spoken(), job.trial
    answer = job.best_setting.sentence if trial.tuned else job.verdict.sentence
    parts = [trial.title, *trial.told_invented]
    parts += [
        answer,
        say.text("archive.holds"),
        say.text("archive.how", version=trialkit.__version__),
    ]
    parts += [say.text("archive.same"), *notes]
    return "\n\n".join(parts) + "\n"


def _fingerprints(job: Pipeline, folder: Path) -> pd.DataFrame:
    """List the SHA-256 of every input and of every file in the archive."""
    import pandas as pd

    from trialkit.decision.fingerprint import data_fingerprint
    from trialkit.report.made_from import made_from

    rows = [
        (kind, name, digest)
        for kind, listed in made_from(job.trial, job.plan, job.logs).items()
        for name, digest in listed.items()
    ]
    if not job.trial.tuned:
        rows.append(("analysed", "rows of the model", data_fingerprint(job.result)))
    for file in sorted(p for p in folder.rglob("*") if p.is_file()):
        digest = hashlib.sha256(file.read_bytes()).hexdigest()
        rows.append(("archived", file.relative_to(folder).as_posix(), digest))
    return pd.DataFrame(rows, columns=["kind", "name", "sha256"])


def _write_csv(path: Path, table: pd.DataFrame) -> None:
    text = without_formulas(table).to_csv(index=False, lineterminator="\n")
    _write_text(path, text)


def _write_text(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8", newline="")


def _pack(folder: Path, name: str) -> bytes:
    """Pack a folder, the same files always into the same bytes."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for file in sorted(p for p in folder.rglob("*") if p.is_file()):
            entry = zipfile.ZipInfo(f"{name}/{file.relative_to(folder).as_posix()}", _NO_TIME)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = 0o644 << 16
            archive.writestr(entry, file.read_bytes())
    return out.getvalue()
