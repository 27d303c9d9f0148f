"""Many answer files read at once: what is sound, and what is set aside and why."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from trialkit.errors import AnswerFileError
from trialkit.federation.answer import TrialAnswer
from trialkit.federation.answer_file import read_answer
from trialkit.federation.pool import separate_twins
from trialkit.wording import Message, message

#: Most files of one folder.
MOST_FILES = 100_000


@dataclass(frozen=True)
class Gathered:
    """Answers to be pooled. Made by `gather_answers`.

    Parameters
    ----------
    answers : tuple of TrialAnswer
    aside : tuple of (str, Message)
        Source and reason of each that is not used.
    """

    answers: tuple[TrialAnswer, ...]
    aside: tuple[tuple[str, Message], ...] = ()


def answer_files(path: Path) -> list[Path]:
    """List the answer files that a name stands for: the file, or all of a folder.

    Raises
    ------
    AnswerFileError
        If a folder holds none, or more than `MOST_FILES`.
    """
    from trialkit.errors import Fault

    if not path.is_dir():
        return [path]
    found = sorted(p for p in path.iterdir() if p.suffix == ".json" and not p.is_symlink())
    if not 0 < len(found) <= MOST_FILES:
        what = f"holds {len(found)} files that end with .json; from 1 to {MOST_FILES} can be read"
        raise AnswerFileError(path.name, [Fault(str(path), what, "name another folder")])
    return found


def gather_answers(own: list[TrialAnswer], files: list[Path]) -> Gathered:
    """Read answer files, put them beside one's own answers, and set aside what cannot count.

    Parameters
    ----------
    own : list of TrialAnswer
        Answers of one's own trials; where a file rests on the same harvest, these count.
    files : list of Path

    Returns
    -------
    Gathered
    """
    read, aside = list(own), []
    for path in files:
        try:
            read.append(replace(read_answer(path), source=path.name))
        except AnswerFileError as problem:
            fault = problem.faults[0]
            more = len(problem.faults) - 1
            words = {"problem": f"{fault.where}: {fault.what}", "count": more}
            key = "pool.aside.faults" if more else "pool.aside.fault"
            aside.append((path.name, message(key, **words)))
    kept, twins = separate_twins(read)
    for answer, other in twins:
        aside.append((answer.source, message("pool.aside.twin", other=other)))
    return Gathered(tuple(kept), tuple(aside))
