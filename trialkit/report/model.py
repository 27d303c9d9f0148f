"""How sure this is: comparisons, the model in words and numbers, and the checks of it."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from trialkit.report.first_screen import further_tables
from trialkit.report.inputs import PageInputs
from trialkit.report.page_parts import (
    Fold,
    Pairs,
    Picture,
    Section,
    Table,
    Words,
    build_table,
    show_findings,
)
from trialkit.report.svg import inline_svg
from trialkit.triage import for_growers, for_statisticians
from trialkit.wording import Units, Wording, units_in_words
from trialkit.wording.method_names import method_notes, method_words
from trialkit.wording.row_notes import note_words

if TYPE_CHECKING:
    import pandas as pd

MOST_EFFECTS = 14  # differences drawn; more are told by the tables alone


def model_section(inputs: PageInputs) -> Section:
    """Put together the comparisons, with the model and its checks folded."""
    say = inputs.say
    parts: list[Any] = _findings(inputs)
    parts.append(_ratios(inputs))
    parts += further_tables(inputs)
    parts += [_means(inputs, name) for name in inputs.trial.factors]
    parts += _differences(inputs)
    parts.append(Fold(say.text("model.fold_model"), tuple(_model(inputs))))
    parts.append(Fold(say.text("model.fold_checks"), tuple(_checks(inputs))))
    if inputs.redrawn is not None:
        parts += _redrawn(inputs)
    return Section("model", say.text("section.model"), tuple(parts))


def _findings(inputs: PageInputs) -> list[Any]:
    """Show what must be minded, and fold the smaller notes."""
    say = inputs.say
    shown = show_findings(for_growers(inputs.findings), say)
    grave = [f for f in shown if f.severity != "note"]
    notes = tuple(f for f in shown if f.severity == "note")
    parts: list[Any] = [*grave] if grave else [Words(say.text("model.findings_none"))]
    if notes:
        count = say.number(len(notes), 0)
        parts.append(Fold(say.text("model.notes_fold", count=count), notes))
    technical = show_findings(for_statisticians(inputs.findings), say)
    if technical:
        count = say.number(len(technical), 0)
        parts.append(Fold(say.text("model.statistics_fold", count=count), technical))
    return parts


def _ratios(inputs: PageInputs) -> Table:
    say, ratios = inputs.say, inputs.result.ratios
    margin = inputs.trial.question.margin_pct
    less = inputs.better == "less"
    limit = say.number(1 + (margin if less else -margin) / 100, 2)
    words = {
        "factor": inputs.factor.name,
        "reference": inputs.reference,
        "noun": inputs.noun,
    }
    formats = dict.fromkeys(("ratio", "low", "high"), lambda v: say.number(v, 3))
    told = zip(ratios["level"], ratios["note"], strict=True)
    return build_table(
        ratios,
        columns=["level", "reference", "ratio", "low", "high", "df", "p", "method"],
        say=say,
        caption=say.text("model.ratio_caption", level=inputs.level, **words),
        heads={"level": inputs.factor.name, "p": say.text("column.p_margin")},
        formats={**formats, "df": lambda v: say.number(v, 1), "method": _method(say)},
        notes=[
            say.text(
                "model.ratio_note_less" if less else "model.ratio_note",
                limit=limit,
                margin=inputs.margin,
            ),
            *(f"{level}: {note_words(note, say)}." for level, note in told if note),
            *method_notes(ratios["method"], say),
        ],
    )


def _means(inputs: PageInputs, name: str) -> Table:
    say = inputs.say
    return build_table(
        inputs.result.per_block(inputs.result.means[name]),
        columns=["level", "estimate", "se", "df", "low", "high", "method"],
        say=say,
        caption=say.text(
            "model.means_caption", factor=name, level=inputs.level, unit=inputs.quantity
        ),
        heads={"level": name},
        formats={"df": lambda v: say.number(v, 1), "method": _method(say)},
    )


def _effects(inputs: PageInputs, together: pd.DataFrame) -> Picture:
    """Draw all differences between levels."""
    from trialkit.figures import effects

    say = inputs.say
    ax = effects(
        together,
        quantity=inputs.quantity,
        level=inputs.trial.question.level,
        basis=_bases(inputs),
        wording=say,
    )
    rows = say.listed(
        [
            say.text(
                "alt.change",
                level=say.text("figure.effects.row", first=row["first"], second=row["second"]),
                estimate=say.number(row["estimate"]),
                low=say.number(row["low"]),
                high=say.number(row["high"]),
            )
            for row in together.to_dict("records")
        ]
    )
    svg = inline_svg(ax, ident="effects", alt=say.text("alt.effects", rows=rows))
    return Picture(svg, say.text("model.effects_title"))


def _differences(inputs: PageInputs) -> list[Any]:
    import pandas as pd

    say = inputs.say
    result = inputs.result
    frames = {name: result.per_block(frame) for name, frame in result.differences.items()}
    together = pd.concat(frames.values(), ignore_index=True)
    parts: list[Any] = [_effects(inputs, together)] if len(together) <= MOST_EFFECTS else []
    for name, frame in frames.items():
        parts.append(
            build_table(
                frame,
                columns=["first", "second", "estimate", "se", "df", "low", "high", "p", "method"],
                say=say,
                caption=say.text(
                    "model.differences_caption",
                    factor=name,
                    level=inputs.level,
                    unit=inputs.quantity,
                ),
                heads={
                    "first": name,
                    "estimate": say.text("column.difference"),
                    "p": say.text("column.p_difference"),
                },
                formats={"df": lambda v: say.number(v, 1), "method": _method(say)},
                row_heads=2,
            )
        )
    return parts


def _bases(inputs: PageInputs) -> str:
    """Say on how many units each treatment's comparison rests."""
    say = inputs.say
    return " ".join(
        say.text(
            "figure.basis_many",
            factor=factor.name,
            n=say.number(inputs.count(factor), 0),
            units=units_in_words(factor.applied_to),
        )
        for factor in inputs.trial.factors.values()
    )


def _model(inputs: PageInputs) -> list[Any]:
    """Tell the model in words and numbers."""
    say, result = inputs.say, inputs.result
    terms, fit = result.terms, result.fit
    random = say.listed([units_in_words(tuple(t.split(":"))) for t in terms.random])
    used, missing = say.number(result.n_used, 0), say.number(result.n_missing, 0)
    parts: list[Any] = [
        Words(say.text("model.words_model", fixed=_fixed_words(inputs), random=random)),
        Words(say.text("model.rows", used=used, missing=missing)),
    ]
    if fit.spec.variances == "free":
        parts.append(Words(say.text("model.words_free")))
    tests = result.tests.reset_index()
    tests["term"] = [
        " × ".join(_term_words(name) for name in str(t).split(":")) for t in tests["term"]
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
                "method": _method(say),
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
            first=_term_words(t.split(":")[0]),
            second=" × ".join(_term_words(name) for name in t.split(":")[1:]),
        )
        if ":" in t
        else _term_words(t)
        for t in (part.strip() for part in inputs.result.terms.fixed.split("+"))
    ]
    return say.listed(names)


def _term_words(name: str) -> str:
    """Name a part of the model: a treatment by its own name, flush and batch in words."""
    return str(Units((name,), 1))


def _method(say: Wording) -> Callable[[Any], str]:
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
    ax = variance_shares(variances, labels=labels, unit=inputs.unit, basis=basis, wording=say)
    spread = [math.copysign(math.sqrt(abs(v)), v) for v in variances]
    rows = say.listed(
        [
            say.text("alt.pair", level=labels[str(k)], value=f"{say.number(s)} {inputs.unit}")
            for k, s in zip(variances.index, spread, strict=True)
        ]
    )
    svg = inline_svg(ax, ident="variances", alt=say.text("alt.variances", rows=rows))
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
    return [Picture(svg, say.text("model.variance_caption")), table]


def _checks(inputs: PageInputs) -> list[Any]:
    """Show what was checked, residuals and influence."""
    from trialkit.figures import residuals_by_fitted, residuals_by_normal

    say, name = inputs.say, inputs.factor.name
    found = inputs.diagnosis
    parts: list[Any] = [
        build_table(
            found.table.assign(
                result=[say.either(f"result.{r}", str(r)) for r in found.table["result"]]
            ),
            columns=["check", "result", "detail"],
            say=say,
            caption=say.text("model.checks_caption"),
        )
    ]
    rows = found.rows.assign(**{name: inputs.used[name].astype(str).to_numpy()})
    ax = residuals_by_fitted(
        rows, response=inputs.response, group=name, order=inputs.levels, wording=say
    )
    most = say.number(float(rows["residual"].abs().max()))
    alt = say.text("alt.residuals", n=say.number(len(rows), 0), most=most, unit=inputs.unit)
    parts.append(
        Picture(inline_svg(ax, ident="residuals", alt=alt), say.text("model.residual_title"))
    )
    if "standardised" in rows and rows["standardised"].notna().any():
        scaled = [float(v) for v in rows["standardised"].dropna()]
        ax = residuals_by_normal(scaled, wording=say)
        far = sum(abs(v) > 3 for v in scaled)
        words = {"n": say.number(len(scaled), 0), "far": say.number(far, 0)}
        svg = inline_svg(ax, ident="normal", alt=say.text("alt.normal", **words))
        parts.append(Picture(svg, say.text("model.normal_title")))
    return [*parts, *_influence(inputs)]


def _influence(inputs: PageInputs) -> list[Any]:
    """Show what changes when one batch, chamber or run is left out."""
    from trialkit.figures import influence

    say, found = inputs.say, inputs.diagnosis
    table = found.influence
    if not len(table) or table["change_se"].isna().all():
        return []
    own = table.assign(term=[kind_words(str(t)) for t in table["term"]])
    ax = influence(own, wording=say)
    top = own.iloc[int(own["change_se"].abs().argmax())]
    words = {
        "level": f"{top['term']} {top['level']}",
        "value": say.number(abs(top["change_se"]), 2),
    }
    svg = inline_svg(ax, ident="influence", alt=say.text("alt.influence", **words))
    parts: list[Any] = [Picture(svg, say.text("model.influence_title"))]
    if len(found.refitted):
        again = found.refitted[found.refitted["tested"] == inputs.factor.name]
        left_out = [
            f"{kind_words(str(t))} {x}" for t, x in zip(again["term"], again["level"], strict=True)
        ]
        again = again.assign(
            left_out=left_out, tested=[_term_words(str(t)) for t in again["tested"]]
        )
        parts.append(
            build_table(
                again,
                columns=["left_out", "tested", "p", "p_without"],
                say=say,
                caption=say.text("model.refit_caption"),
                heads={
                    "left_out": say.text("model.without"),
                    "tested": say.text("column.term"),
                    "p": say.text("model.p_with"),
                    "p_without": say.text("model.p_without"),
                },
                formats={"p_without": say.p},
                row_heads=2,
            )
        )
    return parts


def kind_words(term: str) -> str:
    """Name one unit of a random term.

    Examples
    --------
    >>> kind_words("batch:chamber"), kind_words("batch:chamber:shelf")
    ('chamber run', 'shelf')
    """
    run = ("batch", "chamber")
    names = tuple(term.split(":"))
    return str(Units(names if names == run else names[-1:], 1))


def _redrawn(inputs: PageInputs) -> list[Any]:
    """Show the randomisation test: the trial among its own redrawn plans."""
    from trialkit.figures import randomisation_null

    say, test = inputs.say, inputs.redrawn
    words = {"n": say.number(len(test.draws), 0), "p": say.p(test.p)}
    told = words | {
        "factor": test.factor,
        "error": say.p(test.p_error),
        "smallest": say.p(test.smallest_p),
        "model": say.p(test.p_model),
    }
    ax = randomisation_null(
        test.draws,
        test.observed,
        p=test.p,
        wording=say,
        statistic=say.text("redrawn.statistic", treatment=test.factor),
    )
    alt = say.text("alt.null", observed=say.number(test.observed), **words)
    svg = inline_svg(ax, ident="redrawn", alt=alt)
    return [
        Words(say.text("model.null_words", **told)),
        Picture(svg, say.text("model.null_title")),
    ]
