"""Plans on disk: written whole or not at all, hashed, and never overwritten once begun."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import os
import shutil
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trialkit.design.layout.allocation import Allocation
from trialkit.design.layout.draw_record import undated_draw
from trialkit.design.question_record import read_question, record_question
from trialkit.design.sheets.harvest_form import harvest_sheet
from trialkit.design.sheets.plan_dates import (
    dated,
    read_draws,
    read_record,
    stands_in,
    under_names_here,
)
from trialkit.errors import Finding, PlanError
from trialkit.file_names import kind_of, match_names
from trialkit.formulas import with_formulas, without_formulas
from trialkit.whole_files import remove_spare
from trialkit.wording.storing import from_data, to_data

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.trial import Trial


def plan_hash(table: pd.DataFrame, seed: int, version: str) -> str:
    """Give the SHA-256 over the assignment (as CSV), the seed and the version."""
    text = table.to_csv(index=False, lineterminator="\n")
    return hashlib.sha256(f"{text}seed={seed}\nversion={version}\n".encode()).hexdigest()


def begun(trial: Trial, directory: Path) -> str | None:
    """Say where harvest rows of this trial exist already; None if it has not begun."""
    spec = trial.logs.get("harvest")
    for pattern in spec.files if spec else ():
        for path in match_names(trial.folder, pattern):
            if kind_of(path) != "file":
                continue
            with path.open("rb") as file:
                lines = sum(1 for line in file if line.strip())
            if lines > 1:
                return str(path.name)
    filled = [name for name in _SHEETS if _is_filled(directory / name, trial)]
    return filled[0] if filled else None


#: Sheets that may hold weights; plans of older versions kept a harvest sheet in assignment.xlsx.
_SHEETS = ("harvest_sheet.csv", "harvest_sheet.xlsx", "assignment.xlsx")


def _is_filled(path: Path, trial: Trial) -> bool:
    """Tell whether anything was entered in a harvest sheet; an unreadable one counts as filled."""
    import pandas as pd

    from trialkit.design.sheets.harvest_form import entries
    from trialkit.design.sheets.workbook import find_sheet

    if not path.exists():
        return False
    try:
        if path.suffix == ".csv":
            sheet = pd.read_csv(path, dtype=str, keep_default_na=False)
        else:
            found = find_sheet(path, "harvest")
            if found is None:
                return False
            sheet = found
        entered = sheet[[name for name in entries(trial) if name in sheet]]
    except (PlanError, OSError, ValueError):
        return True
    return bool((entered.astype(str).map(str.strip) != "").any().any())


def write_plan(
    plan: Allocation,
    directory: str | Path,
    *,
    keep_old: bool = False,
    blind: bool = True,
    now: dt.datetime | None = None,
    weighed: Sequence[str] = (),
    labels: str | None = None,
) -> list[Path]:
    """Write the plan's files to ``directory/plan``, all of them or none.

    Parameters
    ----------
    plan : Plan
    directory : str or Path
        The trial's folder.
    keep_old : bool
        If the trial has begun, keep the old plan beside the new one as ``plan-old-1``, …
    blind : bool
        Leave treatments off the block labels.
    now : datetime, optional
        When it is drawn, with a time zone; the present by default. A plan that is there already
        keeps its date.
    weighed : sequence of str
        Batches of which weights are known to be there already.
    labels : str, optional
        Size of the labels, such as ``"70x37"``; for plain paper, cut by hand, by default.

    Returns
    -------
    list of Path

    Raises
    ------
    PlanError
        If another plan is there and harvest rows exist, unless `keep_old`, or all that was
        drawn before stands in the new one.
    """
    target = Path(directory) / "plan"
    old = _existing_hash(target)
    rows = begun(plan.trial, target)
    started = rows if old is not None and old != plan.hash else None
    moment = now or dt.datetime.now(dt.UTC)
    stood = rows or "" if now is None else ""  # what stood at another moment is not known
    plan = dated(plan, target, moment, weighed, stood, same=old == plan.hash)
    if started and not keep_old and not stands_in(target, plan):
        raise PlanError(
            f"{target} holds another plan and the trial has begun (harvest rows in {started}); "
            "a new plan would no longer say what the blocks received. Keep it, or ask for the "
            "old plan to be kept beside the new one (--beside, or keep_old=True)"
        )
    target.parent.mkdir(parents=True, exist_ok=True)
    question = _question(plan, target, old, weighed=rows is not None)
    remove_spare(target.parent, ".plan-spare-*")
    made = Path(tempfile.mkdtemp(prefix=".plan-spare-", dir=target.parent))
    try:
        names = _write_files(plan, made, question, blind=blind, labels=labels)
        if target.exists() and not started:
            _carry_over(target, made, plan.trial, filled=rows is not None and old == plan.hash)
    except BaseException as problem:
        shutil.rmtree(made, ignore_errors=True)
        if isinstance(problem, OSError) and problem.errno and not problem.filename:
            problem.filename = str(target)  # a full disk does not name the file
        raise
    _exchange(target, made, keep=bool(started) or (keep_old and bool(rows)))
    return [target / name for name in names]


def _question(plan: Allocation, target: Path, old: str | None, *, weighed: bool) -> object:
    """Give the question to keep with a plan: once harvest rows are there, as it stood before."""
    if weighed and old == plan.hash:
        return json.loads((target / "plan.json").read_text(encoding="utf-8")).get("question")
    return record_question(plan.trial, plan.hash, before_harvest=not weighed)


def _existing_hash(target: Path) -> str | None:
    """Give the hash of the plan that is there; None where there is none."""
    try:
        return str(json.loads((target / "plan.json").read_text(encoding="utf-8"))["hash"])
    except FileNotFoundError:
        return "unknown" if (target / "assignment.csv").exists() else None
    except (OSError, ValueError, KeyError, TypeError):
        return "unreadable"


def _carry_over(target: Path, made: Path, trial: Trial, *, filled: bool) -> None:
    """Copy files we did not make, and sheets already filled in for this very plan."""
    for path in target.iterdir():
        ours = (made / path.name).exists()
        if ours and not (filled and path.name in _SHEETS and _is_filled(path, trial)):
            continue
        if path.is_dir():
            shutil.copytree(path, made / path.name)
        else:
            shutil.copy2(path, made / path.name)


def _exchange(target: Path, made: Path, *, keep: bool) -> None:
    """Put the new folder in the old one's place; the old one stays until the new is there."""
    aside: Path | None = None
    if target.exists():
        number = 1
        while (target.parent / f"plan-old-{number}").exists():
            number += 1
        aside = target.rename(target.parent / f"plan-old-{number}")
    os.replace(made, target)
    if aside is not None and not keep:
        shutil.rmtree(aside)


def _write_files(
    plan: Allocation, folder: Path, question: object, *, blind: bool, labels: str | None
) -> list[str]:
    from trialkit.design.sheets.map import map_svg, save_png
    from trialkit.design.sheets.printed import write_sheets
    from trialkit.design.sheets.timers import timer_table
    from trialkit.design.sheets.workbook import write_harvest_book, write_workbook
    from trialkit.design.strata.strata import strata

    folder.chmod(0o755)
    sheets = {"timers": timer_table(plan), "harvest_sheet": harvest_sheet(plan)}
    for name, table in {"assignment": plan.table, **sheets}.items():
        safe = without_formulas(table)
        safe.to_csv(folder / f"{name}.csv", index=False, lineterminator="\n")
    laid = strata(plan.trial, plan=plan)
    (folder / "strata.txt").write_text(f"{laid}\n", encoding="utf-8")
    write_workbook(plan, folder / "assignment.xlsx")
    write_harvest_book(plan, folder / "harvest_sheet.xlsx")
    drawn = map_svg(plan)
    (folder / "map.svg").write_text(drawn, encoding="utf-8")
    save_png(plan, folder / "map.png")
    pages = write_sheets(plan, folder, blind=blind, drawn=drawn, labels=labels)
    record = {
        "title": plan.trial.title,
        "seed": plan.seed,
        "version": plan.version,
        "hash": plan.hash,
        "trial_file_sha256": plan.trial.sha256,
        "over_time": plan.trial.over_time,
        "method": plan.method,
        "efficiency": plan.efficiency,
        "efficiency_at_best": plan.bound,
        "draws": [draw.to_data() for draw in plan.draws],
        "question": question,
    }
    if not plan.draws:  # when it was drawn is not known, and is not made up
        del record["draws"]
    if plan.findings:
        record["findings"] = [_stored(finding) for finding in plan.findings]
    text = json.dumps(record, indent=2, ensure_ascii=False)
    (folder / "plan.json").write_text(text + "\n", encoding="utf-8")
    return [
        "assignment.csv",
        "assignment.xlsx",
        "harvest_sheet.csv",
        "harvest_sheet.xlsx",
        "timers.csv",
        "strata.txt",
        "map.svg",
        "map.png",
        *pages,
        "plan.json",
    ]


def load_plan(trial: Trial, directory: str | Path | None, *, partly: bool = False) -> Allocation:
    """Read and check a written plan; with `partly`, units may be in the trial that it lacks."""
    import pandas as pd

    folder = Path(directory if directory is not None else trial.folder) / "plan"
    by_hand = not (folder / "plan.json").exists()
    try:
        table = pd.read_csv(folder / "assignment.csv", dtype=str, keep_default_na=False)
        table = with_formulas(table)
        record = _by_hand(trial) if by_hand else read_record(folder)
    except FileNotFoundError:
        raise PlanError(
            f"no plan is at {folder} (assignment.csv is missing); make one: trialkit plan"
        ) from None
    except (OSError, ValueError) as problem:
        raise PlanError(f"the plan at {folder} cannot be read: {problem}") from None
    drawn = table
    table = under_names_here(trial, table)
    _check_fit(trial, table, folder, partly=partly)
    if not by_hand:
        _check_over_time(trial, str(record.get("over_time", "random")), folder)
    now_called = dict(zip(drawn["unit"], table["unit"], strict=True))
    whole = trial.unit_table()
    whole = whole[whole["unit"].isin(table["unit"])].reset_index(drop=True)
    levels = table.drop_duplicates("unit").set_index("unit").loc[whole["unit"]]
    for name in trial.factors:
        whole[name] = pd.Series(levels[name].tolist(), index=whole.index, dtype=object)
    if by_hand:
        _check_units(trial, whole, folder)
        record["hash"] = plan_hash(whole, int(record["seed"]), str(record["version"]))
    else:
        columns = [*trial.structure.factors, "unit", *trial.factors]
        found = plan_hash(drawn[columns], int(record["seed"]), str(record["version"]))
        _check_hash(found, str(record["hash"]), folder)
    whole = whole[~whole["unit"].isin(trial.never_grown)].reset_index(drop=True)
    table = whole
    draws = read_draws(record, codes=now_called, names=trial.aliases)
    if not draws and not by_hand:
        factors, seed = trial.structure.factors, int(record["seed"])
        draws = (undated_draw(table, factors, seed, str(record["version"])),)
    return Allocation(
        trial=trial.with_levels(table),
        table=table,
        seed=int(record["seed"]),
        version=str(record["version"]),
        hash=str(record["hash"]),
        method={str(k): str(v) for k, v in record.get("method", {}).items()},
        efficiency={str(k): float(v) for k, v in record.get("efficiency", {}).items()},
        bound={str(k): float(v) for k, v in record.get("efficiency_at_best", {}).items()},
        findings=tuple(_found(stored) for stored in record.get("findings", [])),
        asked=read_question(record.get("question"), str(record["hash"])),
        draws=draws,
    )


def _check_hash(found: str, stated: str, folder: Path) -> None:
    """Refuse an assignment that was changed after it was drawn."""
    if found != stated:
        raise PlanError(
            f"{folder / 'assignment.csv'} has been changed since it was drawn: its hash is "
            f"{found[:12]}, but plan.json says {stated[:12]}. Put the drawn file "
            "back; what was done otherwise than planned belongs into the trial file, as "
            "[[happened]]"
        )


def _stored(finding: Finding) -> dict[str, Any]:
    """Write a finding as data, to be said in any language later."""
    return {
        "code": finding.code,
        "severity": finding.severity,
        "said": to_data(finding.said),
        "cure": to_data(finding.cure),
    }


def _found(stored: dict[str, Any]) -> Finding:
    """Read a finding that `_stored` wrote, or one in plain words as older plans have it."""
    said = stored.get("said", stored.get("message", ""))
    cure = stored.get("cure", stored.get("remedy", ""))
    return Finding(stored["code"], stored["severity"], from_data(said), from_data(cure))


def _by_hand(trial: Trial) -> dict[str, Any]:
    """Describe a plan that was laid out elsewhere: an assignment without a record beside it."""
    how = dict.fromkeys(trial.factors, "laid out by hand, not drawn here")
    return {"seed": 0, "version": "by hand", "method": how}


def _check_fit(trial: Trial, table: pd.DataFrame, folder: Path, *, partly: bool) -> None:
    """Refuse a plan that was made for other units or other levels."""
    wanted = [*trial.structure.factors, "unit", *trial.factors]
    missing = [name for name in wanted if name not in table.columns]
    if missing:
        raise PlanError(f"the plan at {folder} has no column {missing[0]!r}; draw it anew")
    units, there = set(trial.unit_table()["unit"]), set(table["unit"])
    joined = sorted(units - there - trial.never_grown)
    strangers = sorted(there - units)
    if joined and not strangers and not partly:
        raise PlanError(
            f"the plan at {folder} was made for other units than the trial's; for instance "
            f"{joined[0]!r} is in only one of them. What joined later gets a draw of its own, and "
            "what was drawn stands: trialkit plan. What never began is told by [[happened]] with "
            "given_up or added"
        )
    if strangers or len(there) != len(table):
        odd = f"{strangers[0]!r} is in only one of them" if strangers else "one appears twice"
        raise PlanError(
            f"the plan at {folder} was made for other units than the trial's; for instance {odd}. "
            "Keep a unit that was given up in [units], and tell it by [[happened]] with given_up; "
            "a new name is told by [[happened]] with renamed"
        )
    for name, factor in trial.factors.items():
        strange = sorted(set(table[name]) - set(factor.levels))
        if strange:
            raise PlanError(
                f"the plan at {folder} has the {name} {strange[0]!r}, which the trial file lacks"
            )


def _check_over_time(trial: Trial, drawn: str, folder: Path) -> None:
    """Refuse a plan drawn by another layout over time: the analysis follows the trial file."""
    if drawn != trial.over_time:
        raise PlanError(
            f'the plan at {folder} was drawn with over_time = "{drawn}", but the trial file has '
            f'"{trial.over_time}". The analysis must follow the plan: write over_time = "{drawn}" '
            "under [units], or, before the first start, draw the plan anew"
        )


def _check_units(trial: Trial, table: pd.DataFrame, folder: Path) -> None:
    """Refuse a plan laid out by hand that gives one unit two levels of a treatment."""
    for name, factor in trial.factors.items():
        given = table.groupby(list(factor.applied_to), sort=False)[name].nunique()
        mixed = given[given > 1].index
        if len(mixed):
            unit = mixed[0] if isinstance(mixed[0], str) else ":".join(mixed[0])
            raise PlanError(
                f"the plan at {folder} gives {unit} more than one {name}, but the trial file says "
                f"{name} is applied to {factor.stratum}"
            )
