"""What a report was made from, written into the page and read back from it."""

from __future__ import annotations

import html
import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

if TYPE_CHECKING:
    from trialkit.design.plan import Plan
    from trialkit.logs.log import Log
    from trialkit.trial import Trial

_NAME = "trialkit-made-from"
_TAG = re.compile(rf'<meta name="{_NAME}" content="([^"]*)">')
_HEAD_BYTES = 2_000_000

#: Kind of input → name → fingerprint.
MadeFrom = dict[str, dict[str, str]]


def made_from(trial: Trial, plan: Plan | None, logs: Mapping[str, Log]) -> MadeFrom:
    """Give the fingerprints of trial file, plan and logs, each of the bytes that were read."""
    return {
        "trial": {trial.source.name: trial.sha256},
        "plan": {} if plan is None else {"plan": plan.hash},
        "logs": {file.name: file.sha256 for log in logs.values() for file in log.files},
    }


def made_from_tag(inputs: MadeFrom) -> Markup:
    """Write the fingerprints as a line for the head of a page."""
    text = json.dumps(inputs, sort_keys=True)
    return Markup(f'<meta name="{_NAME}" content="{html.escape(text)}">')


def read_made_from(page: Path) -> MadeFrom | None:
    """Read the fingerprints from a page; None where it has none that can be read."""
    try:
        with page.open(encoding="utf-8", errors="replace") as source:
            found = _TAG.search(source.read(_HEAD_BYTES))
        read: Any = json.loads(html.unescape(found[1])) if found else None
        return {kind: {str(k): str(v) for k, v in read[kind].items()} for kind in read}
    except (OSError, ValueError, AttributeError, TypeError, LookupError, RecursionError):
        return None


def differences(then: MadeFrom, now: MadeFrom) -> list[str]:
    """Name what is another, new or gone, in the order of `now`."""
    kinds = dict.fromkeys([*now, *then])
    names = {kind: dict.fromkeys([*now.get(kind, {}), *then.get(kind, {})]) for kind in kinds}
    return [
        name
        for kind, listed in names.items()
        for name in listed
        if then.get(kind, {}).get(name) != now.get(kind, {}).get(name)
    ]
