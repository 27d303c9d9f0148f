"""How sure this is: comparisons, the model in words and numbers, and the checks of it."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from trialkit.report.first_screen import further_tables
from trialkit.report.inputs import PageInputs
from trialkit.report.page_parts import (
    Fold,
    Heading,
    Pairs,
    Picture,
    Section,
    Table,
    Words,
    build_table,
    show_findings,
)
from trialkit.report.pictures import make_picture
from trialkit.triage import for_growers, for_statisticians
from trialkit.wording import Units, Wording, units_in_words
from trialkit.wording.method_names import method_notes, method_words
from trialkit.wording.places import place
from trialkit.wording.row_notes import note_words

if TYPE_CHECKING:
    import pandas as pd

MOST_EFFECTS = 14  # differences drawn; more are told by the tables alone


def model_section(inputs: PageInputs) -> Section:
    """Put together the cautions and comparisons, with the model and its checks folded."""
    say = inputs.say
    together = _all_differences(inputs)
    parts: list[Any] = _findings(inputs)
    parts.append(_ratios(inputs))
    parts += further_tables(inputs)
    numbers: list[Any] = []
    if len(together) <= MOST_EFFECTS:
        numbers.append(_effects(inputs, together))
    numbers += [_means(inputs, name) for name in inputs.trial.factors] + _differences(inputs)
    parts.append(Fold(say.text("model.fold_numbers"), tuple(numbers)))
    parts.append(Fold(say.text("model.fold_model"), tuple(_model(inputs))))
    parts.append(Fold(say.text("model.fold_checks"), tuple(_checks(inputs))))
    if inputs.redrawn is not None:
        parts += _redrawn(inputs)
    return Section("model", say.text("section.model"), tuple(parts))


def _findings(inputs: PageInputs) -> list[Any]:
    """Show what could change the answer, then what to fix in the data, then what is noted."""
    say = inputs.say
    found = for_growers(inputs.findings)
    of_data = {f for log in inputs.logs.values() for f in log.findings} | set(inputs.data.findings)
    data_codes = {f.code for f in of_data}
    notes = [f for f in found if f.severity == "note"]
    grave = [f for f in found if f.severity != "note"]
    fix = [f for f in grave if f.code in data_codes and f.severity != "stop"]
    change = [f for f in grave if f not in fix]
    parts: list[Any] = [] if grave else [Words(say.text("model.findings_none"))]
    for title, group in (
        (say.text("model.findings_change"), change),
        (say.text("model.findings_fix"), fix),
    ):
        if group:
            parts += [Heading(title), *show_findings(group, say)]
    if notes:
        count = say.number(len(notes), 0)
        shown = show_findings(notes, say)
        parts.append(Fold(say.text("model.notes_fold", count=count), shown))
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
    columns = ["level", "reference", "ratio", "low", "high", "df", "p", "method"]
    columns, once = _said_once(ratios, columns, say)
    return build_table(
        ratios,
        columns=columns,
        say=say,
        caption=say.text("model.ratio_caption", level=inputs.level, **words),
        heads={"level": inputs.factor.name, "p": say.text("column.p_margin")},
        formats={**formats, "df": lambda v: say.number(v, 1), "method": _method(say)},
        notes=[
            *once,
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
    say, frame = inputs.say, inputs.result.per_block(inputs.result.means[name])
    primary = name == inputs.trial.primary.name
    at = [str(one.message) for one in inputs.result.covariates_used if primary]
    columns, once = _said_once(
        frame, ["level", "estimate", "low", "high", "se", "df", "method"], say
    )
    return build_table(
        frame,
        columns=columns,
        notes=[*once, *at],
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
    return make_picture(
        lambda: effects(
            together,
            quantity=inputs.quantity,
            level=inputs.trial.question.level,
            basis=_bases(inputs),
            wording=say,
        ),
        ident="effects",
        alt=say.text("alt.effects", rows=rows),
        caption=say.text("model.effects_title"),
    )


def _all_differences(inputs: PageInputs) -> pd.DataFrame:
    """Give the differences of all treatments in one table."""
    import pandas as pd

    result = inputs.result
    frames = [result.per_block(frame) for frame in result.differences.values()]
    return pd.concat(frames, ignore_index=True)


def _differences(inputs: PageInputs) -> list[Any]:
    """Give the differences of each treatment."""
    say, result = inputs.say, inputs.result
    frames = {name: result.per_block(frame) for name, frame in result.differences.items()}
    parts: list[Any] = []
    for name, frame in frames.items():
        columns = ["first", "second", "estimate", "low", "high", "se", "df", "p", "method"]
        columns, once = _said_once(frame, columns, say)
        parts.append(
            build_table(
                frame,
                columns=columns,
                notes=[*once, *method_notes(frame["method"], say)],
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
    used, missing = say.number(result.n_used, 0), say.number(inputs.rows_missing, 0)
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


def _said_once(
    frame: pd.DataFrame, columns: list[str], say: Wording
) -> tuple[list[str], list[str]]:
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
    most = say.number(float(rows["residual"].abs().max()))
    alt = say.text("alt.residuals", n=say.number(len(rows), 0), most=most, unit=inputs.unit)
    parts.append(
        make_picture(
            lambda: residuals_by_fitted(
                rows, response=inputs.response, group=name, order=inputs.levels, wording=say
            ),
            ident="residuals",
            alt=alt,
            caption=say.text("model.residual_title"),
            forms=1,
        )
    )
    if "standardised" in rows and rows["standardised"].notna().any():
        scaled = [float(v) for v in rows["standardised"].dropna()]
        far = sum(abs(v) > 3 for v in scaled)
        words = {"n": say.number(len(scaled), 0), "far": say.number(far, 0)}
        parts.append(
            make_picture(
                lambda: residuals_by_normal(scaled, wording=say),
                ident="normal",
                alt=say.text("alt.normal", **words),
                caption=say.text("model.normal_title"),
                forms=1,
            )
        )
    return [*parts, *_influence(inputs)]


def _influence(inputs: PageInputs) -> list[Any]:
    """Show what changes when one batch, chamber or run is left out."""
    from trialkit.figures import influence

    say, found = inputs.say, inputs.diagnosis
    table = found.influence
    if not len(table) or table["change_se"].isna().all():
        return []
    own = table.assign(
        level=[_named_place(t, x) for t, x in zip(table["term"], table["level"], strict=True)],
        term="",
    )
    top = own.iloc[int(own["change_se"].abs().argmax())]
    words = {
        "level": str(top["level"]),
        "value": say.number(abs(top["change_se"]), 2),
    }
    parts: list[Any] = [
        make_picture(
            lambda: influence(own, wording=say),
            ident="influence",
            alt=say.text("alt.influence", **words),
            caption=say.text("model.influence_title"),
            forms=1,
        )
    ]
    if len(found.refitted):
        again = found.refitted[found.refitted["tested"] == inputs.factor.name]
        left_out = [_named_place(t, x) for t, x in zip(again["term"], again["level"], strict=True)]
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


def _named_place(term: object, level: object) -> str:
    """Name one unit as people do: chamber T4 in batch B4."""
    factors, levels = str(term).split(":"), str(level).split(":")
    if len(factors) != len(levels):
        return f"{kind_words(str(term))} {level}"
    return str(place(dict(zip(factors, levels, strict=True))))


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
    alt = say.text("alt.null", observed=say.number(test.observed), **words)
    statistic = say.text("redrawn.statistic", treatment=test.factor)
    picture = make_picture(
        lambda: randomisation_null(
            test.draws, test.observed, p=test.p, wording=say, statistic=statistic
        ),
        ident="redrawn",
        alt=alt,
        caption=say.text("model.null_title"),
        forms=1,
    )
    return [Words(say.text("model.null_words", **told)), picture]
