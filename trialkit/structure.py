"""The unit structure: how batches, chambers, shelves and blocks sit in one another.

The notation is the published one for block structures: ``/`` nests, ``*`` crosses, and
brackets say which goes first wherever both meet. From it follow the strata, their
degrees of freedom, the stratum in which each treatment is tested, and the random terms.

References
----------
.. [1] Nelder, J. A. (1965). The analysis of randomized experiments with orthogonal block
   structure. Proc. R. Soc. A 283, 147-178. doi:10.1098/rspa.1965.0012
.. [2] Wilkinson, G. N. and Rogers, C. E. (1973). Symbolic description of factorial models
   for analysis of variance. Applied Statistics 22, 392-399. doi:10.2307/2346786
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from math import prod

from trialkit.errors import DesignError
from trialkit.short_repr import short_repr
from trialkit.visible_text import quote

_TOKEN = re.compile(r"\s*(?:([A-Za-z_][A-Za-z0-9_]*)|([()/*]))")
Term = tuple[str, ...]
# terms double with each factor that crosses the others
_LONGEST, _MOST_BRACKETS, _MOST_FACTORS = 300, 20, 8


@dataclass(frozen=True)
class Structure:
    """A parsed unit structure.

    Parameters
    ----------
    text : str
        The notation as written.
    factors : tuple of str
        Unit factors in order of appearance.
    terms : tuple of tuple of str
        Strata below the grand mean, coarsest first; each a tuple of unit factors.
    """

    text: str
    factors: tuple[str, ...]
    terms: tuple[Term, ...]

    __repr__ = short_repr

    @property
    def tokens(self) -> tuple[str, ...]:
        """The notation in pieces: names, ``/``, ``*`` and brackets."""
        return tuple(_tokens(self.text))

    @property
    def random_terms(self) -> tuple[str, ...]:
        """Names of the strata, such as ``"batch:chamber"``; the last is the smallest unit."""
        return tuple(":".join(term) for term in self.terms)

    @property
    def smallest(self) -> Term:
        """The stratum of single units, made of all unit factors."""
        return self.terms[-1]

    def term(self, name: str | Sequence[str]) -> Term:
        """Find a stratum by name, whatever the order of its factors.

        Raises
        ------
        DesignError
            If no stratum has exactly these factors.
        """
        wanted = set(name.split(":")) if isinstance(name, str) else set(name)
        for term in self.terms:
            if set(term) == wanted:
                return term
        raise DesignError(
            f"{':'.join(sorted(wanted))!s} is not a kind of unit in {self.text!r}; "
            f"the kinds are {', '.join(self.random_terms)}"
        )

    def join(self, *terms: Sequence[str]) -> Term:
        """Find the coarsest stratum whose units tell all the given strata apart."""
        wanted = set().union(*map(set, terms))
        return min((t for t in self.terms if wanted <= set(t)), key=len)

    def counts(self, levels: Mapping[str, int]) -> dict[Term, int]:
        """Count the units of each stratum, given how many levels each unit factor has."""
        return {term: prod(levels[name] for name in term) for term in self.terms}

    def merged(self, levels: Mapping[str, int]) -> dict[Term, Term]:
        """Say for each stratum which one stands for it when some factors have one level.

        With a single batch, ``chamber`` and ``batch:chamber`` are the same units; the finest
        name stands for both. A stratum with one unit in all is not listed.

        Examples
        --------
        >>> s = parse_structure("batch * chamber")
        >>> s.merged({"batch": 1, "chamber": 6})
        {('chamber',): ('batch', 'chamber'), ('batch', 'chamber'): ('batch', 'chamber')}
        """
        split = {t: frozenset(name for name in t if levels[name] > 1) for t in self.terms}
        finest = {split[term]: term for term in self.terms}  # the last one is the finest
        return {term: finest[split[term]] for term in self.terms if split[term]}

    def strata(self, levels: Mapping[str, int]) -> tuple[Term, ...]:
        """List the distinct strata that have more than one unit, coarsest first."""
        kept = set(self.merged(levels).values())
        return tuple(term for term in self.terms if term in kept)

    def degrees_of_freedom(self, levels: Mapping[str, int]) -> dict[Term, int]:
        """Give the degrees of freedom of each distinct stratum.

        Notes
        -----
        The units of a stratum minus the mean and the degrees of freedom of every stratum
        above it [1]_. Strata that coincide because a factor has one level count once.

        References
        ----------
        .. [1] Nelder (1965), doi:10.1098/rspa.1965.0012, section 3.

        Examples
        --------
        >>> s = parse_structure("(batch * chamber) / block")
        >>> df = s.degrees_of_freedom({"batch": 4, "chamber": 6, "block": 3})
        >>> [df[term] for term in s.terms]
        [3, 5, 15, 48]
        """
        sizes = self.counts(levels)
        out: dict[Term, int] = {}
        for term in self.strata(levels):
            above = [t for t in out if set(t) < set(term)]
            out[term] = sizes[term] - 1 - sum(out[t] for t in above)
        return out


def parse_structure(text: str) -> Structure:
    """Read a unit structure such as ``"(batch * chamber) / shelf / block"``.

    Parameters
    ----------
    text : str
        Unit factors joined by ``/`` (the right sits within the left) and ``*`` (the two
        cross), with brackets wherever both are used.

    Returns
    -------
    Structure

    Raises
    ------
    DesignError
        If the text cannot be read; the message shows the place.

    Examples
    --------
    >>> parse_structure("(batch * chamber) / block").random_terms
    ('batch', 'chamber', 'batch:chamber', 'batch:chamber:block')
    """
    if len(text) > _LONGEST or text.count("(") > _MOST_BRACKETS:
        raise DesignError(
            f"structure {quote(text)} is too long: at most {_LONGEST} letters and "
            f"{_MOST_BRACKETS} pairs of brackets"
        )
    tokens = _tokens(text)
    names = [t for t in tokens if t not in "()/*"]
    if len(names) > _MOST_FACTORS:
        raise DesignError(
            f"structure {quote(text)} names {len(names)} kinds of units; "
            f"{_MOST_FACTORS} is the most"
        )
    terms, rest = _expression(tokens, text)
    if rest:
        raise DesignError(f"structure {text!r}: a bracket closes that was never opened")
    factors: list[str] = names
    doubled = sorted({name for name in factors if factors.count(name) > 1})
    if doubled:
        raise DesignError(f"structure {text!r}: {', '.join(doubled)} appears more than once")
    order = {name: i for i, name in enumerate(factors)}
    ordered = [tuple(sorted(term, key=order.__getitem__)) for term in terms]
    ordered.sort(key=lambda term: (len(term), [order[name] for name in term]))
    return Structure(text=text.strip(), factors=tuple(factors), terms=tuple(ordered))


def _tokens(text: str) -> list[str]:
    out, at = [], 0
    while at < len(text.rstrip()):
        found = _TOKEN.match(text, at)
        if not found:
            raise DesignError(
                f"structure {text!r}: {text[at:].strip()[0]!r} is not understood; "
                "use names, / for 'within', * for 'crossed with', and brackets"
            )
        out.append(found.group(1) or found.group(2))
        at = found.end()
    if not out:
        raise DesignError("structure is empty; write for instance 'batch / block'")
    return out


def _expression(tokens: Sequence[str], text: str) -> tuple[list[frozenset[str]], Sequence[str]]:
    """Read operands joined by one kind of operator; give their terms and what is left."""
    terms, rest = _operand(tokens, text)
    operator = ""
    while rest and rest[0] in "/*":
        if operator and rest[0] != operator:
            raise DesignError(
                f"structure {text!r}: / and * meet without brackets; "
                "write for instance '(batch * chamber) / block'"
            )
        operator = rest[0]
        right, rest = _operand(rest[1:], text)
        whole = frozenset().union(*terms)
        if operator == "/":
            terms = terms + [whole | term for term in right]
        else:
            terms = terms + right + [a | b for a in terms for b in right]
    return terms, rest


def _operand(tokens: Sequence[str], text: str) -> tuple[list[frozenset[str]], Sequence[str]]:
    if not tokens or tokens[0] in "/*)":
        raise DesignError(f"structure {text!r}: a name is missing beside an operator")
    if tokens[0] == "(":
        terms, rest = _expression(tokens[1:], text)
        if not rest or rest[0] != ")":
            raise DesignError(f"structure {text!r}: a bracket is not closed")
        return terms, rest[1:]
    if len(tokens) > 1 and tokens[1] not in "/*)":
        raise DesignError(f"structure {text!r}: an operator is missing after {tokens[0]!r}")
    return [frozenset([tokens[0]])], tokens[1:]


@dataclass(frozen=True)
class Source:
    """A line of the skeleton: a treatment, or the error of a stratum.

    Parameters
    ----------
    stratum : tuple of str
        The stratum it is in.
    name : str
        Treatment term such as ``"schedule"`` or ``"schedule:light"``; empty for the error.
    df : int
        Degrees of freedom.
    """

    stratum: Term
    name: str
    df: int


def skeleton(
    structure: Structure,
    levels: Mapping[str, int],
    treatments: Mapping[str, tuple[Sequence[str], int]],
) -> list[Source]:
    """Lay out which stratum tests which treatment term, with degrees of freedom.

    Parameters
    ----------
    structure : Structure
    levels : mapping
        Unit factor → number of levels within its parent.
    treatments : mapping
        Treatment factor → (stratum it is applied to, number of levels).

    Returns
    -------
    list of Source
        Treatment terms (main effects and all interactions) and one error line per stratum,
        coarsest stratum first. An interaction is tested where the coarsest units that tell
        its factors apart are.

    Examples
    --------
    >>> s = parse_structure("block / plot / subplot")
    >>> for line in skeleton(s, {"block": 6, "plot": 3, "subplot": 4},
    ...                      {"variety": (("block", "plot"), 3), "nitrogen": (s.smallest, 4)}):
    ...     print(":".join(line.stratum), line.name or "error", line.df)
    block error 5
    block:plot variety 2
    block:plot error 10
    block:plot:subplot nitrogen 3
    block:plot:subplot variety:nitrogen 6
    block:plot:subplot error 45
    """
    free = structure.degrees_of_freedom(levels)
    stands_for = structure.merged(levels)
    out: list[Source] = []
    names = list(treatments)
    placed: list[Source] = []
    for size in range(1, len(names) + 1):
        for combo in combinations(names, size):
            joined = structure.join(*(treatments[name][0] for name in combo))
            stratum = stands_for.get(joined, structure.smallest)
            placed.append(
                Source(stratum, ":".join(combo), prod(treatments[name][1] - 1 for name in combo))
            )
    for term in free:
        here = [source for source in placed if source.stratum == term]
        out += here
        out.append(Source(term, "", free[term] - sum(source.df for source in here)))
    return out
