"""The question as it stood when a plan was drawn, kept with the plan."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from trialkit.errors import Finding, PlanError
from trialkit.wording import Message, finding, message

if TYPE_CHECKING:
    from trialkit.design.layout.allocation import Allocation
    from trialkit.trial import Trial


def question_of(trial: Trial) -> dict[str, Any]:
    """Give every part of what a trial asks, as plain data.

    Examples
    --------
    >>> import trialkit as tk
    >>> question_of(tk.read_trial(tk.demo_folder()))["margin_pct"]
    10.0
    """
    asked = trial.question.model_dump(mode="json")
    return {**asked, "control": trial.primary.reference}


def record_question(trial: Trial, plan_hash: str, *, before_harvest: bool) -> dict[str, Any]:
    """Give what ``plan.json`` holds of the question under ``question``.

    Parameters
    ----------
    trial : Trial
    plan_hash : str
        Hash of the plan it belongs to.
    before_harvest : bool
        Whether no harvest row was there when it was written down.
    """
    record = {**question_of(trial), "before_harvest": before_harvest}
    return {**record, "sha256": _digest(record, plan_hash)}


def read_question(record: object, plan_hash: str) -> dict[str, Any]:
    """Read the question of a ``plan.json``; empty where it has none, as older ones.

    Raises
    ------
    PlanError
        If it was changed after it was written.
    """
    if record is None:
        return {}
    asked = dict(record) if isinstance(record, Mapping) else {}
    if asked.pop("sha256", "") != _digest(asked, plan_hash):
        raise PlanError(
            "plan.json has been changed since it was written: its question does not fit its "
            "fingerprint. Put the file back; what is asked stands in the trial file"
        )
    return asked


def _digest(record: Mapping[str, Any], plan_hash: str) -> str:
    text = json.dumps(record, sort_keys=True, ensure_ascii=True)
    return hashlib.sha256(f"{plan_hash}\n{text}".encode()).hexdigest()


def question_changes(trial: Trial, plan: Allocation) -> list[Message]:
    """List each part of the question that was another when the plan was drawn."""
    now, then = question_of(trial), plan.asked
    return [
        message(
            "question.change", part=message(f"question.part.{name}"), then=then[name], now=now[name]
        )
        for name in now
        if name in then and then[name] != now[name]
    ]


def question_findings(trial: Trial, plan: object) -> list[Finding]:
    """Say what was changed in the question after the plan was drawn."""
    from trialkit.design.layout.allocation import Allocation

    changes = question_changes(trial, plan) if isinstance(plan, Allocation) else []
    return [finding("question_changed", "caution", changes=changes)] if changes else []


def fixed_before_harvest(trial: Trial, plan: Allocation | None) -> bool:
    """Whether the plan proves that the question was written down before the first harvest."""
    if plan is None or not plan.asked.get("before_harvest", False):
        return False
    return not question_changes(trial, plan)
