"""The file that holds the answer of one trial: written, and read as if a stranger had made it.

A file is JSON text in UTF-8 of at most `LARGEST` bytes. Nothing in it is run, and no name in it
leads to another file.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, NoReturn

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError

from trialkit.errors import AnswerFileError, Fault
from trialkit.federation.answer import RIG, SETTING, TrialAnswer
from trialkit.visible_text import is_plain, quote
from trialkit.whole_files import TooLargeError, read_regular, write_whole

if TYPE_CHECKING:
    from collections.abc import Mapping

#: Version of the file's shape; a reader knows this one and none above.
VERSION = 1
#: Largest file that is read [bytes].
LARGEST = 20_000
#: Largest logarithm of a ratio that is believed: twenty times as much, or a twentieth.
FARTHEST = 3.0
#: Largest standard error of a logarithm that says anything.
WIDEST = 2.0
#: Blocks that were treated alike vary by more than this share of their mean. Published figures
#: begin at twelve times as much (`trialkit.design.variation`).
LEAST_SPREAD = 0.01

Title = Annotated[str, StringConstraints(max_length=200)]
Name = Annotated[str, StringConstraints(min_length=1, max_length=60)]
Short = Annotated[str, StringConstraints(max_length=80)]
Amount = Annotated[float, Field(ge=-1e9, le=1e9)]
Count = Annotated[int, Field(ge=1, le=10_000_000)]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


class _Question(_Part):
    response: Name
    unit: Annotated[str, StringConstraints(max_length=30)]
    better: Literal["more", "less"]
    level: Name
    control: Name
    level_setting: Annotated[dict[str, Amount], Field(max_length=len(SETTING))]
    control_setting: Annotated[dict[str, Amount], Field(max_length=len(SETTING))]


class _Result(_Part):
    measure: Literal["natural logarithm of the ratio of means"]
    estimate: Annotated[float, Field(ge=-FARTHEST, le=FARTHEST)]
    standard_error: Annotated[float, Field(gt=0, le=WIDEST)]
    df: Annotated[float, Field(gt=0)]
    method: Short
    depends_on: Annotated[str, StringConstraints(max_length=60)] = ""


class _Counts(_Part):
    batches: Count
    chambers: Count
    runs: Count
    blocks: Count
    weights: Count


class _File(_Part):
    trialkit_answer: Literal[1]
    made_by: Short
    title: Title
    species: Title
    begun: Annotated[str, StringConstraints(pattern=r"^(\d{4}-(0[1-9]|1[0-2]))?$")]
    invented: bool
    question: _Question
    result: _Result
    counts: _Counts
    rig: Annotated[dict[str, Amount], Field(max_length=len(RIG))]
    fingerprint: Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]


def write_answer(answer: TrialAnswer, path: str | Path) -> Path:
    """Write the answer of a trial as a file that may be shared.

    Parameters
    ----------
    answer : TrialAnswer
    path : str or Path
        File to write, whose name ends with ``.json``.

    Returns
    -------
    Path

    Raises
    ------
    AnswerFileError
        If the answer could not be read back, such as one without spread.
    OSError
        If the file cannot be written.
    """
    target = Path(path)
    if target.suffix != ".json":
        fault = Fault(target.name, "is no name for an answer", "let the name end with .json")
        raise AnswerFileError(target.name, [fault])
    data = _to_data(answer)
    _from_data(data, target.name)  # nothing is written that others would refuse
    return write_whole(target, json.dumps(data, ensure_ascii=False, indent=2) + "\n")


def read_answer(path: str | Path) -> TrialAnswer:
    """Read the answer of a trial from a file, and refuse what cannot be true.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    TrialAnswer

    Raises
    ------
    AnswerFileError
        With every fault: where, what, and what to do.

    Examples
    --------
    >>> import tempfile
    >>> from trialkit.federation.answer import COUNTS, TrialAnswer
    >>> one = TrialAnswer("Less mist", "", "2031-01", "fresh_g", "g", "more", "sparse", "usual",
    ...     -0.05, 0.04, 9.0, "t", dict.fromkeys(COUNTS, 8) | {"weights": 96}, "0" * 64)
    >>> with tempfile.TemporaryDirectory() as spare:
    ...     read_answer(write_answer(one, spare + "/a.json")).estimate
    -0.05
    """
    source = Path(path)
    try:
        data = read_regular(source, most=LARGEST)
    except TooLargeError:
        _refuse(source.name, f"is larger than {LARGEST} bytes, as no answer is")
    except OSError as problem:
        _refuse(source.name, f"cannot be read ({problem.strerror})")
    try:
        raw = json.loads(
            data.decode("utf-8-sig"), object_pairs_hook=_once, parse_constant=_no_number
        )
    except UnicodeDecodeError:
        _refuse(source.name, "is not text in UTF-8")
    except (ValueError, RecursionError) as problem:
        _refuse(source.name, f"is no JSON that can be read ({quote(str(problem), 120)})")
    return _from_data(raw, source.name)


def _refuse(name: str, what: str) -> NoReturn:
    raise AnswerFileError(name, [Fault(name, what, _REMEDY)])


_REMEDY = "ask for the file again, written by: trialkit pool DIR --export FILE"


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """Make a table of JSON; a key that stands there twice has no one value."""
    out = dict(pairs)
    if len(out) < len(pairs):
        raise ValueError("a key appears twice")
    return out


def _no_number(text: str) -> NoReturn:
    raise ValueError(f"{text} is no number")


def _to_data(answer: TrialAnswer) -> dict[str, Any]:
    """Lay an answer out as it stands in a file."""
    told = asdict(answer)
    question = ("response", "unit", "better", "level", "control", "level_setting")
    return {
        "trialkit_answer": VERSION,
        "made_by": answer.made_by,
        "title": answer.title,
        "species": answer.species,
        "begun": answer.begun,
        "invented": answer.invented,
        "question": {name: told[name] for name in (*question, "control_setting")},
        "result": {
            "measure": "natural logarithm of the ratio of means",
            "estimate": answer.estimate,
            "standard_error": answer.se,
            "df": answer.df,
            "method": answer.method,
            "depends_on": answer.depends_on,
        },
        "counts": told["counts"],
        "rig": told["rig"],
        "fingerprint": answer.fingerprint,
    }


def _from_data(raw: object, name: str) -> TrialAnswer:
    """Check what a file holds, part by part, and make an answer of it."""
    version = raw.get("trialkit_answer") if isinstance(raw, dict) else None
    if version is not None and (isinstance(version, bool) or version != VERSION):
        at = Fault(
            "trialkit_answer",
            f"is {quote(version, 20)}; this version reads {VERSION}",
            "use a newer trialkit, or ask for a file of this version",
        )
        raise AnswerFileError(name, [at])
    try:
        told = _File.model_validate(raw)
    except ValidationError as problem:
        faults = [
            Fault(".".join(map(str, e["loc"])) or name, _what(e["msg"], e.get("input")), _REMEDY)
            for e in problem.errors(include_url=False, include_context=False)
        ]
        raise AnswerFileError(name, faults) from None
    faults = [*_texts(told), *_numbers(told)]
    if faults:
        raise AnswerFileError(name, faults)
    question, result = told.question, told.result
    return TrialAnswer(
        title=told.title,
        species=told.species,
        begun=told.begun,
        response=question.response,
        unit=question.unit,
        better=question.better,
        level=question.level,
        control=question.control,
        level_setting=dict(question.level_setting),
        control_setting=dict(question.control_setting),
        estimate=float(result.estimate),
        se=float(result.standard_error),
        df=float(result.df),
        method=result.method,
        depends_on=result.depends_on,
        counts=told.counts.model_dump(),
        fingerprint=told.fingerprint,
        rig=dict(told.rig),
        invented=told.invented,
        made_by=told.made_by,
        source=name,
    )


def _what(said: str, given: object) -> str:
    shown = "" if isinstance(given, (dict, list)) else f", not {quote(given, 40)}"
    return said[:1].lower() + said[1:] + shown


def _texts(told: _File) -> list[Fault]:
    """Refuse texts that would not be shown as they are."""
    question = told.question
    texts = {
        "title": told.title,
        "species": told.species,
        "made_by": told.made_by,
        "question.response": question.response,
        "question.unit": question.unit,
        "question.level": question.level,
        "question.control": question.control,
        "result.method": told.result.method,
        "result.depends_on": told.result.depends_on,
    }
    return [
        Fault(where, "holds marks that cannot be seen", _REMEDY)
        for where, text in texts.items()
        if not is_plain(text)
    ]


def _numbers(told: _File) -> list[Fault]:
    """Refuse numbers that cannot be true together."""
    faults, counts, result = [], told.counts, told.result
    known: Mapping[str, tuple[dict[str, float], tuple[str, ...]]] = {
        "question.level_setting": (told.question.level_setting, SETTING),
        "question.control_setting": (told.question.control_setting, SETTING),
        "rig": (told.rig, RIG),
    }
    for where, (values, names) in known.items():
        odd = [name for name in values if name not in names]
        if odd:
            faults.append(Fault(where, f"has {quote(odd[0], 40)}, which is not known", _REMEDY))
    if told.question.level == told.question.control:
        faults.append(Fault("question", "compares a level with itself", _REMEDY))
    larger = max(counts.batches, counts.chambers, counts.runs)
    if not larger <= counts.blocks <= counts.weights:
        what = "has more of a larger unit than of the blocks or weights that lie within it"
        faults.append(Fault("counts", what, _REMEDY))
    if result.df > counts.weights - 2:
        what = f"is {result.df:g}, more than {counts.weights} weights allow"
        faults.append(Fault("result.df", what, _REMEDY))
    least = least_se(counts.weights)
    if result.standard_error < least:
        what = (
            f"is {result.standard_error:.3g}, less than {counts.weights} weights can give "
            f"({least:.3g}): blocks treated alike vary by more than {100 * LEAST_SPREAD:g} %"
        )
        faults.append(Fault("result.standard_error", what, _REMEDY))
    return faults


def least_se(weights: int) -> float:
    """Give the smallest standard error of a log ratio that so many weights can have.

    Two means of half the weights each, which vary by `LEAST_SPREAD` of their mean.

    Examples
    --------
    >>> round(least_se(100), 4)
    0.002
    """
    return LEAST_SPREAD * math.sqrt(4 / weights)
