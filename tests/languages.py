"""Find words that were left in English in a text of another language."""

import re

#: English words that German does not have, and heads of tables. Names of treatments and levels of
#: the demo (schedule, light, usual, sparse, banded, dim, bright) are the grower's own.
_ENGLISH = """
the and of with were is are has have had not by from than for each this that these those which its
it if but when where at to on no or be been only all as their they there would could should will
does did do nothing something row rows level levels against mean low high method answer units
treatment treatments batches chambers shelves blocks flushes difference differences ratio limits
joint less more better worse note caution next
"""
ENGLISH = frozenset(_ENGLISH.split())

#: What is no language: paths and files, commands, quotations, parts of the trial file, codes.
_NO_WORDS = (
    r"trialkit \S+( \S*[/.-]\S*)*",
    r"\S*[/\\]\S+",
    r"\S+\.(?:csv|gz|toml|html|xlsx|png|txt|json)\b",
    r"--\w+",
    r"\[\w+(?:\.\w+)*\]",
    r"\w+ = \S+",
    r"\w+(?::\w+)+",
    r"\w+_\w+",
    r"[“„][^”“]*[”“]",
)


def english_words(line, *, names=()):
    """Give the English words of a line, without names, paths, commands and codes."""
    for name in names:
        line = line.replace(name, " ")
    for pattern in _NO_WORDS:
        line = re.sub(pattern, " ", line)
    return sorted(set(re.findall(r"[a-zäöüß]+", line.lower())) & ENGLISH)


def english_lines(text, *, names=(), left=()):
    """Give the lines with English words, except those that fit a pattern still to be done."""
    found = [line for line in text.splitlines() if english_words(line, names=names)]
    return [line for line in found if not any(re.search(pattern, line) for pattern in left)]
