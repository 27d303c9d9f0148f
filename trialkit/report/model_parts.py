"""The model on the page, in words and numbers: terms, tests, variances."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from trialkit.report.inputs import PageInputs
from trialkit.report.page_parts import Pairs, Words, build_table
from trialkit.report.pictures import make_picture
from trialkit.wording import Units, Wording, units_in_words
from trialkit.wording.method_names import method_notes, method_words

if TYPE_CHECKING:
    import pandas as pd


def model_parts(inputs: PageInputs) -> list[Any]:
    """Tell the model in words and numbers."""
    say, result = inputs.say, inputs.result
    terms, fit = result.terms, result.fit
    random = say.listed([units_in_words(tuple(t.split(":"))) for t in terms.random])
    used, missing = say.number(result.n_used, 0), say.number(inputs.rows_missing, 0)
    parts: list[Any] = [
        Words(say.text("model.words_model", fixed=_fixed_words(inputs), random=random)),
        Words(say.text("model.rows", used=used, missing=missing)),
    ]
    if fit.spec.variances == "free":
        parts.append(Words(say.text("model.words_free")))
    tests = result.tests.reset_index()
    tests["term"] = [
        " × ".join(term_words(name) for name in str(t).split(":")) for t in tests["term"]
    ]
    parts.append(
        build_table(
            tests,
            columns=["term", "num_df", "den_df", "F", "p", "method"],
            say=say,
            caption=say.text("model.tests_caption"),
            formats={
                "num_df": lambda v: say.number(v, 0),
                "den_df": lambda v: say.number(v, 1),
                "F": lambda v: say.number(v, 2),
                "method": method_cell(say),
            },
            notes=[say.text("model.tests_note"), *method_notes(tests["method"], say)],
        )
    )
    parts += _variances(inputs)
    parts.append(
        Pairs(
            (
                (say.text("provenance.formula_fixed"), f"{terms.response} ~ {terms.fixed}"),
                (say.text("provenance.formula_random"), ", ".join(terms.random)),
                (say.text("provenance.loglik"), say.number(fit.loglik, 3)),
            ),
            code=True,
        )
    )
    return parts


def _fixed_words(inputs: PageInputs) -> str:
    say = inputs.say
    names = [
        say.text(
            "model.depends",
            first=term_words(t.split(":")[0]),
            second=" × ".join(term_words(name) for name in t.split(":")[1:]),
        )
        if ":" in t
        else term_words(t)
        for t in (part.strip() for part in inputs.result.terms.fixed.split("+"))
    ]
    return say.listed(names)


def term_words(name: str) -> str:
    """Name a part of the model: a treatment by its own name, flush and batch in words."""
    return str(Units((name,), 1))


def said_once(frame: pd.DataFrame, columns: list[str], say: Wording) -> tuple[list[str], list[str]]:
    """Leave out the method and the df where all rows share them; say them in a note."""
    told = []
    for name in ("df", "method"):
        if name in columns and name in frame and frame[name].nunique(dropna=False) == 1:
            columns = [c for c in columns if c != name]
            value = frame[name].iloc[0]
            words = method_words(str(value), say) if name == "method" else say.number(value, 1)
            key = "model.once_method" if name == "method" else "model.once_df"
            told.append(say.text(key, value=words))
    return columns, told


def method_cell(say: Wording) -> Callable[[Any], str]:
    """Give what writes a method's code in words, for a column of a table."""
    return lambda code: method_words(str(code), say)


def _kind_words(term: str, inputs: PageInputs) -> str:
    if term.startswith("residual"):
        return inputs.say.text("model.residual")
    return units_in_words(tuple(term.split(":")))


def _variances(inputs: PageInputs) -> list[Any]:
    import math

    import pandas as pd

    from trialkit.figures import variance_shares

    say = inputs.say
    variances = inputs.result.fit.variances
    labels = {str(k): _kind_words(str(k), inputs) for k in variances.index}
    basis = say.text("figure.basis_rows", n=say.number(inputs.result.n_used, 0))
    spread = [math.copysign(math.sqrt(abs(v)), v) for v in variances]
    rows = say.listed(
        [
            say.text("alt.pair", level=labels[str(k)], value=f"{say.number(s)} {inputs.unit}")
            for k, s in zip(variances.index, spread, strict=True)
        ]
    )
    picture = make_picture(
        lambda: variance_shares(
            variances, labels=labels, unit=inputs.unit, basis=basis, wording=say
        ),
        ident="variances",
        alt=say.text("alt.variances", rows=rows),
        caption=say.text("model.variance_caption"),
        forms=1,
    )
    notes = [say.text("model.variance_negative")] if (variances < 0).any() else []
    kinds = [labels[str(k)] for k in variances.index]
    frame = pd.DataFrame({"kind": kinds, "variance": list(variances), "spread": spread})
    table = build_table(
        frame,
        columns=["kind", "variance", "spread"],
        say=say,
        caption=say.text("model.variance_caption"),
        notes=notes,
    )
    return [picture, table]
