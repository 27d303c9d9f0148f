"""Messages: what is said, kept as a key and values, and the language of the moment.

A result carries what was found, not how it is said. The sentence is made from the catalogue
where it is shown, in the language that is spoken there.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from typing import Any

from trialkit.errors import Finding, Severity
from trialkit.wording.catalogue import Wording, read_wording

_SPOKEN: ContextVar[tuple[str, str]] = ContextVar("spoken", default=("en", ""))


def spoken() -> Wording:
    """Give the wording in use: English, or what `speaking` has set."""
    return read_wording(*_SPOKEN.get())


@contextmanager
def speaking(locale: str | None = None, language: str | None = None) -> Iterator[Wording]:
    """Say everything inside in the words of a language, with the numbers of a locale.

    Parameters
    ----------
    locale : str, optional
        Such as ``"de_AT"``; that of the language, or the one in use, by default.
    language : str, optional
        Language of the words; that of the locale, or the one in use, by default.

    Raises
    ------
    ReportError
        If the locale or the language is not known.

    Examples
    --------
    >>> with speaking("en_GB") as say:
    ...     say.number(1234.5, 1)
    '1,234.5'
    """
    if locale is None and language is None:
        chosen = _SPOKEN.get()
    else:
        chosen = (locale or language or "en", language or "")
    wording = read_wording(*chosen)
    token = _SPOKEN.set(chosen)
    try:
        yield wording
    finally:
        _SPOKEN.reset(token)


@dataclass(frozen=True)
class Message:
    """Something to say: a key of the catalogue and the values of its places.

    ``str()`` says it in the language in use. Where the catalogue has plural forms of the key,
    the value named ``count`` chooses among them.

    Parameters
    ----------
    key : str
        Such as ``"finding.sensor_gap"``.
    values : mapping
        Value of each place; see `Wording.written` for the kinds.

    Examples
    --------
    >>> str(Message("count.flush", {"count": 3}))
    '3 flushes'
    """

    key: str
    values: Mapping[str, Any] = field(default_factory=dict)

    def said_in(self, wording: Wording, /) -> str:
        """Give the sentence in a language."""
        if "count" in self.values and self.key not in wording.entries:
            return wording.choose(self.key, self.values["count"], **self.values)
        return wording.text(self.key, **self.values)

    def beside(self, key: str) -> Message:
        """Make a message of another key, to be said in the same way as this one."""
        return Message(key)

    def __str__(self) -> str:
        return self.said_in(spoken())

    def __hash__(self) -> int:
        return hash((self.key, tuple((k, str(v)) for k, v in sorted(self.values.items()))))


def message(key: str, /, **values: Any) -> Message:
    """Make a message.

    Examples
    --------
    >>> str(message("count.flush", count=1))
    '1 flush'
    """
    return Message(key, values)


def finding(code: str, severity: Severity, /, *, form: str = "", **values: Any) -> Finding:
    """Make a finding whose sentences stand in the catalogue.

    The message is at ``finding.<code>``, the remedy, where there is one, at
    ``finding_remedy.<code>``; both see the same values.

    Parameters
    ----------
    code : str
        Stable short name.
    severity : {"note", "caution", "stop"}
    form : str
        Which sentence, where one code has several: ``finding.<code>.<form>``.
    **values
        Values of the places in the sentences.

    Returns
    -------
    Finding
    """
    name = f"{code}.{form}" if form else code
    english = read_wording().entries
    cure = next((n for n in (name, code) if f"finding_remedy.{n}" in english), None)
    remedy = Message(f"finding_remedy.{cure}", values) if cure else ""
    return Finding(code, severity, Message(f"finding.{name}", values), remedy)
