"""From the trial file to a `Trial`, or to the list of everything wrong with it."""

from __future__ import annotations

import hashlib
import tomllib
from pathlib import Path

from trialkit.errors import Fault, TrialFileError
from trialkit.trial.checks import build_trial
from trialkit.trial.text import Places
from trialkit.trial.toml_slips import explain
from trialkit.trial.trial import Trial
from trialkit.whole_files import TooLargeError, read_regular


def read_trial(path: str | Path) -> Trial:
    """Read and check a trial file; everything wrong with it is reported together.

    Parameters
    ----------
    path : str or Path
        A trial folder (holding ``trial.toml``) or the file itself.

    Returns
    -------
    Trial

    Raises
    ------
    TrialFileError
        With every fault found: its place (section, key, line), what is wrong, the remedy.

    Examples
    --------
    >>> import trialkit as tk
    >>> trial = tk.read_trial(tk.demo_folder())
    >>> trial.structure.random_terms[:3]
    ('batch', 'chamber', 'batch:chamber')
    """
    try:
        source = Path(path)
    except TypeError:
        kind = type(path).__name__
        remedy = 'give the folder of a trial: tk.read_trial("my-trial")'
        raise TrialFileError(kind, [Fault(kind, "is no folder and no file", remedy)]) from None
    if source.is_dir():
        source = source / "trial.toml"
    try:
        data = read_regular(source, most=LARGEST)
    except TooLargeError:
        what = f"is larger than {LARGEST // 1000} kB, as no trial file is"
        raise TrialFileError(source.name, [Fault(str(source), what, "name another file")]) from None
    except OSError as problem:
        fault = Fault(str(source), f"cannot be read ({problem.strerror})", "make one: trialkit new")
        raise TrialFileError(source.name, [fault]) from None
    try:
        text = data.decode("utf-8-sig")
        raw = tomllib.loads(text)
    except UnicodeDecodeError as problem:
        line = data[: problem.start].count(b"\n") + 1
        what = f"is not text in UTF-8 (line {line})"
        remedy = "save it as plain text with the encoding UTF-8; a text editor asks when saving"
        raise TrialFileError(source.name, [Fault(source.name, what, remedy)]) from None
    except tomllib.TOMLDecodeError as problem:
        raise TrialFileError(source.name, [explain(source.name, text, problem)]) from None
    except (ValueError, RecursionError):
        fault = Fault(source.name, *_BEYOND_READING)
        raise TrialFileError(source.name, [fault]) from None
    try:
        return build_trial(raw, Places(text), source, hashlib.sha256(data).hexdigest())
    except RecursionError:
        raise TrialFileError(source.name, [Fault(source.name, *_BEYOND_READING)]) from None


#: Largest trial file that is read [bytes].
LARGEST = 1_000_000
_BEYOND_READING = (
    "has a number of thousands of digits, or brackets in brackets without end",
    "take that line out",
)
