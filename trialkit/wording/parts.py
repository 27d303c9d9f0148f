"""Parts of a message that each language says in its own way: numbers, names and joined texts."""

from __future__ import annotations

from dataclasses import dataclass

from trialkit.short_repr import short_repr
from trialkit.wording.catalogue import Wording
from trialkit.wording.message import spoken


class _Said:
    """Something whose ``str()`` says it in the language in use."""

    def said_in(self, wording: Wording, /) -> str:
        """Give the text in a language."""
        raise NotImplementedError

    def __str__(self) -> str:
        return self.said_in(spoken())


@dataclass(frozen=True)
class Number(_Said):
    """A number with a given count of decimals.

    Examples
    --------
    >>> str(Number(4.256, 1))
    '4.3'
    """

    value: float
    decimals: int = 0

    def said_in(self, wording: Wording, /) -> str:
        """Give the number as the locale writes it."""
        return wording.number(self.value, self.decimals)


@dataclass(frozen=True)
class Chance(_Said):
    """A p-value, of which a small one is not written as zero.

    Examples
    --------
    >>> str(Chance(0.00001))
    '< 0.0001'
    """

    p: float

    def said_in(self, wording: Wording, /) -> str:
        """Give the p-value as the locale writes it."""
        return wording.p(self.p)


@dataclass(frozen=True)
class Named(_Said):
    """A name that the catalogue may have; a name of the user's own stays as it is.

    Examples
    --------
    >>> str(Named("noun.fresh_g")), str(Named("noun.bruised", "bruised caps"))
    ('yield', 'bruised caps')
    """

    key: str
    own: str = ""

    def said_in(self, wording: Wording, /) -> str:
        """Give the name in a language."""
        return wording.either(self.key, self.own or self.key.rpartition(".")[2])


@dataclass(frozen=True)
class Joined(_Said):
    """Texts one after another, such as the sentences of an answer.

    Examples
    --------
    >>> str(Joined(("one.", Number(2)), " "))
    'one. 2'
    """

    parts: tuple[object, ...]
    between: str = " "

    __repr__ = short_repr

    def said_in(self, wording: Wording, /) -> str:
        """Give the parts that say anything, in a language."""
        said = (wording.written(part) for part in self.parts)
        return self.between.join(text for text in said if text)
