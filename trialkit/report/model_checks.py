"""Checks of the model on the page: residuals, what one unit left out changes, plans drawn anew."""

from __future__ import annotations

from typing import Any

from trialkit.report.inputs import PageInputs
from trialkit.report.model_parts import term_words
from trialkit.report.page_parts import Words, build_table
from trialkit.report.pictures import make_picture
from trialkit.wording import Units
from trialkit.wording.places import place


def model_checks(inputs: PageInputs) -> list[Any]:
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
            left_out=left_out, tested=[term_words(str(t)) for t in again["tested"]]
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


def redrawn_plans(inputs: PageInputs) -> list[Any]:
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
