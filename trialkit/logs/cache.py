"""Results of reading kept by content: the same files and trial file need not be read twice.

The cache stands in ``.cache`` in the trial's folder and may be deleted at any time. What is
damaged or does not fit exactly is ignored and read again.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import tempfile
from collections.abc import Callable
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trialkit.errors import Finding, LogError
from trialkit.logs.ledger import SAID, Ledger
from trialkit.logs.log import Log, LogFile
from trialkit.logs.text.files import find_files, hash_file
from trialkit.trial import Trial
from trialkit.wording import read_wording
from trialkit.wording.storing import from_data, to_data

if TYPE_CHECKING:
    import pandas as pd

#: Raised whenever reading gives other results than before.
REVISION = 3
#: Logs smaller than this are read anew: that is as fast.
SMALLEST = 1_000_000
#: Groups of the catalogue whose messages a log may hold.
_MESSAGES = ("finding.", "finding_remedy.", "row_reason.", "row_remedy.")
_FRAMES = ("table", "ledger", "counts", "spans")


def read_cached(trial: Trial, kind: str, read: Callable[[], Log], *, cache: bool = True) -> Log:
    """Give a log from the cache, or read it and keep the result.

    Parameters
    ----------
    trial : Trial
    kind : {"harvest", "environment", "mist"}
    read : callable
        Reads the log.
    cache : bool
        Whether to look and to keep at all.

    Notes
    -----
    The key is made of the content of the trial file and of every log file, their names, the
    revision of the readers, the keys of the catalogue's messages and, for a harvest, the register
    of its columns. What was found is kept as messages, to be said in any language. Nothing is kept
    for logs under one megabyte, in folders that cannot be written, and for the demo as it ships.
    """
    if not cache or trial.logs.get(kind) is None or ships(trial.folder):
        return read()
    try:
        files = [
            LogFile(name, *hash_file(path))
            for path, name in find_files(trial.folder, trial.logs[kind].files)
        ]
    except LogError:
        return read()  # which says what is wrong, with everything else
    if sum(f.size for f in files) < SMALLEST:
        return read()
    place = trial.folder / ".cache" / "logs" / f"{kind}-{_key(trial, kind, files)}"
    found = _load(place, kind)
    if found is not None:
        return found
    log = read()
    _store(place, kind, log)
    return log


def ships(folder: Path) -> bool:
    """Whether a folder is the demo inside the installed package or its source tree."""
    package = Path(__file__).resolve().parents[1]
    folder = folder.resolve()
    return folder.is_relative_to(package) or folder.is_relative_to(package.parent / "data")


def _key(trial: Trial, kind: str, files: list[LogFile]) -> str:
    known = [repr(column) for column in trial.harvest_columns.values()]
    messages = sorted(k for k in read_wording().entries if k.startswith(_MESSAGES))
    parts = [
        str(REVISION),
        " ".join(messages),
        kind,
        trial.sha256,
        *(f"{f.name}\0{f.sha256}" for f in files),
    ]
    parts += known if kind == "harvest" else []
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:32]


def _store(place: Path, kind: str, log: Log) -> None:
    """Write a log whole, or not at all; older results of the same log are removed."""
    frames = {
        "table": log.table,
        "ledger": _texts(log.ledger.lines),
        "counts": log.ledger.counts,
        "spans": log.spans,
    }
    scratch = ""
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
        (place.parent.parent / ".gitignore").write_text("*\n", encoding="utf-8")
        scratch = tempfile.mkdtemp(dir=place.parent, prefix="partial-")
        sums, types = {}, {}
        for name, frame in frames.items():
            data = frame.to_parquet(index=False)
            (Path(scratch) / f"{name}.parquet").write_bytes(data)
            sums[name] = hashlib.sha256(data).hexdigest()
            types[name] = {str(c): str(t) for c, t in frame.dtypes.items()}
        meta = {
            "sums": sums,
            "types": types,
            "findings": [
                [f.code, f.severity, to_data(f.said), to_data(f.cure)] for f in log.findings
            ],
            "files": [[f.name, f.sha256, f.size] for f in log.files],
        }
        (Path(scratch) / "log.json").write_text(json.dumps(meta), encoding="utf-8")
        for old in place.parent.glob(f"{kind}-*"):
            shutil.rmtree(old, ignore_errors=True)
        os.replace(scratch, place)
    except (OSError, ValueError, TypeError, LogError):  # a full or locked disk: go on without
        if scratch:
            shutil.rmtree(scratch, ignore_errors=True)


def _texts(lines: pd.DataFrame) -> pd.DataFrame:
    """Write the messages of a ledger as text that can be stored, each message once."""
    out = {}
    for name in SAID:
        values = lines[name].to_numpy(dtype=object)
        written = {id(v): json.dumps(to_data(v)) for v in {id(v): v for v in values}.values()}
        out[name] = [written[id(v)] for v in values]
    return lines.assign(**out)


def _messages(lines: pd.DataFrame) -> pd.DataFrame:
    """Read the messages of a ledger back, each text once."""
    out = {}
    for name in SAID:
        read = {text: from_data(json.loads(text)) for text in lines[name].unique()}
        out[name] = [read[text] for text in lines[name]]
    return lines.assign(**out)


def _load(place: Path, kind: str) -> Log | None:
    """Give the log kept at a place; None where there is none or it is not exactly as written."""
    import pandas as pd

    try:
        meta: dict[str, Any] = json.loads((place / "log.json").read_text(encoding="utf-8"))
        frames: dict[str, pd.DataFrame] = {}
        for name in _FRAMES:
            data = (place / f"{name}.parquet").read_bytes()
            if hashlib.sha256(data).hexdigest() != meta["sums"][name]:
                return None
            frames[name] = pd.read_parquet(BytesIO(data)).astype(meta["types"][name])
        ledger = Ledger(_messages(frames["ledger"]), frames["counts"])
        findings = tuple(
            Finding(code, severity, from_data(said), from_data(cure))
            for code, severity, said, cure in meta["findings"]
        )
        files = tuple(LogFile(*f) for f in meta["files"])
        if not ledger.adds_up:
            return None
        return Log(kind, frames["table"], ledger, findings, files, spans=frames["spans"])
    except Exception:
        return None  # whatever is wrong with the cache, the files themselves are there
