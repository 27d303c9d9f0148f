"""The rules by which readers set rows aside, change values or tell doubts, by name."""

from __future__ import annotations

from trialkit.wording import Message, message

#: Every rule a reader may apply. The names stand in the ledger and in trial files; what people
#: read of a rule is in the catalogue.
RULES: tuple[str, ...] = (
    "wrong number of columns",
    "open quotation mark",
    "cut short",
    "not a record",
    "comment line",
    "time unreadable",
    "hour that does not exist",
    "hour that comes twice",
    "clock reset",
    "clock corrected",
    "chamber unknown",
    "shelf unknown",
    "value unreadable",
    "value impossible",
    "no value",
    "written otherwise",
    "double export",
    "same time, other values",
    "not filled in",
    "unknown unit",
    "never grown",
    "unit code tidied",
    "code and column differ",
    "flush unreadable",
    "date unreadable",
    "date outside batch",
    "negative weight",
    "heavier than the block",
    "weight missing",
    "dry weight above fresh",
    "dry weight doubtful",
    "caps impossible",
    "outside its range",
    "status unknown",
    "double entry",
    "conflicting entries",
    "picks added",
    "decimal slip",
    "unit of weight doubtful",
    "weight of a lost block",
    "flush order",
    "state unreadable",
    "never switched off",
    "interval impossible",
)


def rule_name(rule: str) -> Message | str:
    """Name a rule for people; a name that is no rule stays as it is.

    Examples
    --------
    >>> str(rule_name("double export"))
    'double export'
    """
    return message(f"rule.{rule}") if rule in RULES else rule
