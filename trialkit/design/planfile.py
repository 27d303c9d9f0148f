"""Plans on disk: written whole or not at all, hashed, and never overwritten once begun."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from trialkit.errors import PlanError

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.design.assign import Plan
    from trialkit.trial import Trial


def plan_hash(table: pd.DataFrame, seed: int, version: str) -> str:
    """Give the SHA-256 over the assignment (as CSV), the seed and the version."""
    text = table.to_csv(index=False, lineterminator="\n")
    return hashlib.sha256(f"{text}seed={seed}\nversion={version}\n".encode()).hexdigest()


def harvest_sheet(plan: Plan) -> pd.DataFrame:
    """List every unit and flush, with empty columns to fill in at harvest."""
    import pandas as pd

    trial = plan.trial
    units = plan.table[["unit", *trial.structure.factors]]
    parts = [units.assign(flush=flush) for flush in range(1, trial.flushes + 1)]
    sheet = pd.concat(parts, ignore_index=True)
    for name in ("date", "fresh_g", "dry_g", "caps", "status", "note"):
        sheet[name] = ""
    return sheet


def timer_table(plan: Plan) -> pd.DataFrame:
    """List what each unit's timer or sensor is set to, one row per treated unit."""
    import pandas as pd

    rows = []
    for name, factor in plan.trial.factors.items():
        for _, row in plan.assignment(name).iterrows():
            setting = factor.levels[row[name]]
            given = setting.model_dump(exclude_none=True)
            out = {unit: row[unit] for unit in plan.trial.structure.factors if unit in row.index}
            out |= {"treatment": name, "level": row[name], **given}
            if setting.kind == "timed":
                out |= {
                    "cycles_per_day": setting.cycles_per_day,
                    "duty_pct": setting.duty_pct,
                }
            rows.append(out)
    return pd.DataFrame(rows)


def begun(trial: Trial, directory: Path) -> str | None:
    """Say where harvest rows of this trial exist already; None if it has not begun."""
    import pandas as pd

    spec = trial.logs.get("harvest")
    for pattern in spec.files if spec else ():
        for path in sorted(trial.folder.glob(pattern)):
            with path.open("rb") as file:
                lines = sum(1 for line in file if line.strip())
            if lines > 1:
                return str(path.name)
    sheet = directory / "harvest_sheet.csv"
    if sheet.exists():
        filled = pd.read_csv(sheet, dtype=str, keep_default_na=False)
        if "fresh_g" in filled and (filled["fresh_g"].str.strip() != "").any():
            return sheet.name
    return None


def write_plan(plan: Plan, directory: str | Path, *, keep_old: bool = False) -> list[Path]:
    """Write the plan's files to ``directory/plan``, all of them or none.

    Parameters
    ----------
    plan : Plan
    directory : str or Path
        The trial's folder.
    keep_old : bool
        If the trial has begun, keep the old plan beside the new one as ``plan-old-1``, …

    Returns
    -------
    list of Path

    Raises
    ------
    PlanError
        If another plan is there and harvest rows exist, unless `keep_old`.
    """
    target = Path(directory) / "plan"
    old = _existing_hash(target)
    started = begun(plan.trial, target) if old is not None and old != plan.hash else None
    if started and not keep_old:
        raise PlanError(
            f"{target} holds another plan and the trial has begun (harvest rows in {started}); "
            "a new plan would no longer say what the blocks received. Keep it, or ask for the "
            "old plan to be kept beside the new one"
        )
    target.parent.mkdir(parents=True, exist_ok=True)
    made = Path(tempfile.mkdtemp(prefix=".plan-", dir=target.parent))
    try:
        names = _write_files(plan, made)
        if target.exists():
            if started:
                _set_beside(target)
            else:
                _keep_strangers(target, made)
        os.replace(made, target)
    except BaseException:
        shutil.rmtree(made, ignore_errors=True)
        raise
    return [target / name for name in names]


def _existing_hash(target: Path) -> str | None:
    try:
        return str(json.loads((target / "plan.json").read_text(encoding="utf-8"))["hash"])
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError):
        return "unreadable"


def _set_beside(target: Path) -> None:
    number = 1
    while (target.parent / f"plan-old-{number}").exists():
        number += 1
    target.rename(target.parent / f"plan-old-{number}")


def _keep_strangers(target: Path, made: Path) -> None:
    """Carry over files we did not make, then clear the old folder."""
    for path in target.iterdir():
        if not (made / path.name).exists():
            shutil.move(str(path), str(made / path.name))
    shutil.rmtree(target)


def _write_files(plan: Plan, folder: Path) -> list[str]:
    from trialkit.design.strata import strata
    from trialkit.design.workbook import write_workbook

    folder.chmod(0o755)
    plan.table.to_csv(folder / "assignment.csv", index=False, lineterminator="\n")
    timer_table(plan).to_csv(folder / "timers.csv", index=False, lineterminator="\n")
    harvest_sheet(plan).to_csv(folder / "harvest_sheet.csv", index=False, lineterminator="\n")
    laid = strata(plan.trial)
    (folder / "strata.txt").write_text(f"{laid}\n", encoding="utf-8")
    write_workbook(plan, folder / "assignment.xlsx")
    figure = plan.map()
    figure.savefig(folder / "map.svg", metadata={"Date": None})
    figure.savefig(folder / "map.png", dpi=150)
    record = {
        "title": plan.trial.title,
        "seed": plan.seed,
        "version": plan.version,
        "hash": plan.hash,
        "trial_file_sha256": plan.trial.sha256,
        "method": plan.method,
        "efficiency": plan.efficiency,
    }
    text = json.dumps(record, indent=2, ensure_ascii=False)
    (folder / "plan.json").write_text(text + "\n", encoding="utf-8")
    return [
        "assignment.csv", "assignment.xlsx", "map.svg", "map.png", "strata.txt", "timers.csv",
        "harvest_sheet.csv", "plan.json",
    ]  # fmt: skip


def load_plan(trial: Trial, directory: str | Path | None) -> Plan:
    """Read and check a written plan."""
    import pandas as pd

    from trialkit.design.assign import Plan

    folder = Path(directory if directory is not None else trial.folder) / "plan"
    try:
        record = json.loads((folder / "plan.json").read_text(encoding="utf-8"))
        table = pd.read_csv(folder / "assignment.csv", dtype=str, keep_default_na=False)
    except FileNotFoundError as problem:
        raise PlanError(
            f"no plan is at {folder} ({Path(str(problem.filename)).name} is missing); make one: "
            "trialkit plan"
        ) from None
    except (OSError, ValueError) as problem:
        raise PlanError(f"the plan at {folder} cannot be read: {problem}") from None
    _check_fit(trial, table, folder)
    whole = trial.unit_table()
    for name in trial.factors:
        whole[name] = table[name].astype(object)
    table = whole
    found = plan_hash(table, int(record["seed"]), str(record["version"]))
    if found != record["hash"]:
        raise PlanError(
            f"{folder / 'assignment.csv'} has been changed since it was drawn: its hash is "
            f"{found[:12]}, but plan.json says {str(record['hash'])[:12]}. Put the drawn file "
            "back; note any deviation in the harvest notes instead"
        )
    return Plan(
        trial=trial,
        table=table,
        seed=int(record["seed"]),
        version=str(record["version"]),
        hash=str(record["hash"]),
        method={str(k): str(v) for k, v in record.get("method", {}).items()},
        efficiency={str(k): float(v) for k, v in record.get("efficiency", {}).items()},
    )


def _check_fit(trial: Trial, table: pd.DataFrame, folder: Path) -> None:
    """Refuse a plan that was made for other units or other levels."""
    wanted = [*trial.structure.factors, "unit", *trial.factors]
    missing = [name for name in wanted if name not in table.columns]
    if missing:
        raise PlanError(f"the plan at {folder} has no column {missing[0]!r}; draw it anew")
    units = trial.unit_table()["unit"]
    if list(table["unit"]) != list(units):
        odd = sorted(set(table["unit"]) ^ set(units))
        named = f"; for instance {odd[0]!r} is in only one of them" if odd else ""
        raise PlanError(f"the plan at {folder} was made for other units than the trial's{named}")
    for name, factor in trial.factors.items():
        strange = sorted(set(table[name]) - set(factor.levels))
        if strange:
            raise PlanError(
                f"the plan at {folder} has the {name} {strange[0]!r}, which the trial file lacks"
            )
