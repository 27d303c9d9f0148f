"""A fitted model as a folder that R repeats: rows, numbers to compare with, and a script.

The script fits the model with lme4 and compares variances, tests, means, differences and
degrees of freedom after Kenward and Roger with those of trialkit, to one part in ten thousand.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trialkit.archive.check_values import check_values, slopes
from trialkit.archive.r_names import r_list, r_names, r_text, r_vector
from trialkit.errors import ModelError
from trialkit.formulas import without_formulas
from trialkit.model.columns.terms import RandomTerm, parse_random
from trialkit.right_kind import check_kinds
from trialkit.whole_files import whole_folder

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.model.fit import Fit

_HEAD = """\
# Fits the model of rows.csv again with lme4 and compares with trialkit's numbers in expected.csv.
# Run it with:  Rscript repeat.R
#
# lme4 holds variances at or above zero, so expected.csv holds trialkit's numbers with the same
# limit, all by Kenward and Roger's method. trialkit's own answer may use another method for some
# rows, which it names there. The script ends with an error where a number is not the same to 1e-4.
"""


@dataclass(frozen=True)
class _Columns:
    """Which columns the script reads, under the names that R has for them."""

    names: dict[str, str]
    factors: dict[str, tuple[Hashable, ...]]
    groups: dict[str, str]


def write_for_r(
    fit: Fit,
    folder: str | Path,
    *,
    margins: Mapping[str, float] | None = None,
    logarithm: bool = False,
) -> Path:
    """Write a folder with which R repeats a fitted model and compares the numbers.

    Needs R with the packages lme4, lmerTest, pbkrtest and emmeans to be run.

    Parameters
    ----------
    fit : Fit
    folder : str or Path
        Gets `rows.csv`, `expected.csv` and `repeat.R`, all of them or none.
    margins : mapping, optional
        Factor → share of the first level's mean to test the other levels against, such as 0.9
        for a loss of 10 %.
    logarithm : bool
        Whether the response is a natural logarithm; then `margins` are of geometric means.

    Returns
    -------
    Path
        The script.

    Raises
    ------
    ModelError
        If lme4 has no such model: residual variances by group, computed columns, no intercept,
        or too many effects for Kenward and Roger's method.

    Examples
    --------
    >>> import pandas as pd, tempfile, trialkit as tk
    >>> table = pd.DataFrame({"box": ["A", "A", "B", "B", "C", "C"], "mist": ["low", "high"] * 3,
    ...                       "fresh_g": [410.0, 402, 395, 380, 441, 420]})
    >>> fit = tk.fit(table, response="fresh_g", fixed="mist", random="box")
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     script = tk.write_for_r(fit, folder, margins={"mist": 0.9})
    ...     print(*sorted(path.name for path in script.parent.iterdir()))
    expected.csv repeat.R rows.csv
    """
    check_kinds("write_for_r", fit=fit)
    margins = dict(margins or {})
    columns = _columns(fit)
    levels = {columns.names[c]: _written(values) for c, values in columns.factors.items()}
    _refuse_margins(columns, margins)
    rows = _rows(fit, columns)
    expected = check_values(fit, levels, columns.names, margins=margins, logarithm=logarithm)
    place = Path(folder)
    with whole_folder(place) as spare:
        rows.to_csv(spare / "rows.csv", index=False, lineterminator="\n")
        expected.to_csv(spare / "expected.csv", index=False, lineterminator="\n")
        text = _script(fit, columns, levels, margins, logarithm)
        (spare / "repeat.R").write_text(text, encoding="ascii", newline="\n")
    return place / "repeat.R"


def _columns(fit: Fit) -> _Columns:
    """Find the columns of the model, and refuse what lme4 or the script cannot have."""
    if fit.spec.residual_by is not None:
        raise ModelError("lme4 has one residual variance; fit without residual_by to compare")
    if fit.is_large:
        raise ModelError(
            "the model has too many effects for Kenward and Roger's method in R: leave out the "
            "term with most levels, or summarise the rows first"
        )
    if () not in fit.design.terms:
        raise ModelError("the script compares models with an intercept; leave the 0 out of fixed")
    factors: dict[str, tuple[Hashable, ...]] = {}
    numbers: list[str] = []
    for part in fit.design.parts.values():
        if part.levels is not None:
            factors[part.column] = part.levels
        elif part.spec is not None:
            raise ModelError(
                f"{part.name!r} is computed from columns: put it into the table as a column of its "
                "own and name that in fixed"
            )
        else:
            numbers.append(part.column)
    terms = random_terms(fit)
    numbers += [term.slope for term in terms if term.slope is not None]
    grouping = list(dict.fromkeys(name for term in terms for name in term.columns))
    own = [fit.spec.response, *factors, *numbers]
    # a column may be a number in the fixed part and names in the random part
    second = {name: f"{name}_as_names" for name in grouping if name in own and name not in factors}
    names = r_names([*own, *(second.get(name, name) for name in grouping)])
    groups = {name: names[second.get(name, name)] for name in grouping if name not in factors}
    return _Columns(names, factors, groups)


def file_columns(fit: Fit) -> tuple[pd.DataFrame, dict[str, str]]:
    """Give the rows as `rows.csv` holds them, and what its columns are called in the trial."""
    columns = _columns(fit)
    back = {short: name for name, short in columns.names.items() if name in fit.table}
    back |= {short: name for name, short in columns.groups.items()}
    return _rows(fit, columns), back


def random_terms(fit: Fit) -> tuple[RandomTerm, ...]:
    """Give the random terms of a fit."""
    return parse_random(fit.spec.random, [str(name) for name in fit.table.columns])


def _refuse_margins(columns: _Columns, margins: Mapping[str, float]) -> None:
    for name, share in margins.items():
        if name not in columns.factors:
            raise ModelError(
                f"margins: {name!r} is no factor of the fixed part; its factors are: "
                f"{', '.join(columns.factors) or 'none'}"
            )
        if not share > 0 or share == 1:
            raise ModelError(f"margins: {name} = {share!r}; write 0.9 for a loss of 10 %")


def _written(values: object) -> list[str]:
    """Write levels as they stand in the files, safe to open in a spreadsheet."""
    import pandas as pd

    column = pd.DataFrame({"text": [str(value) for value in pd.Series(list(values))]})  # type: ignore[call-overload]
    return [str(value) for value in without_formulas(column)["text"]]


def _rows(fit: Fit, columns: _Columns) -> pd.DataFrame:
    """Give the rows used, with the columns of the model alone."""
    import pandas as pd

    named = {name: columns.names[name] for name in columns.factors} | columns.groups
    out: dict[str, Any] = {
        short: fit.y if name == fit.spec.response else fit.table[name].to_numpy(dtype=float)
        for name, short in columns.names.items()
        if name in fit.table and name not in named
    }
    for name, short in columns.names.items():  # a number that is the names of units too
        if name in fit.table and name in columns.groups and short != columns.groups[name]:
            out[short] = fit.table[name].to_numpy(dtype=float)
    for name, short in named.items():
        out[short] = _written(fit.table[name])
    return pd.DataFrame(out)


def _script(
    fit: Fit,
    columns: _Columns,
    levels: Mapping[str, list[str]],
    margins: Mapping[str, float],
    logarithm: bool,
) -> str:
    """Put the model's own lines before the lines that all scripts share."""
    names, parts = columns.names, fit.design.parts
    groups = names | columns.groups
    fixed = [":".join(names[parts[p].column] for p in term) for term in fit.design.terms if term]
    random = []
    for term in random_terms(fit):
        inside = ":".join(groups[name] for name in term.columns)
        random.append(f"(0 + {names[term.slope]} | {inside})" if term.slope else f"(1 | {inside})")
    lines = [
        _HEAD,
        f"response <- {r_text(names[fit.spec.response])}",
        f"fixed <- {r_vector(fixed)}",
        f"random <- {r_vector(random)}",
        "# factors of the fixed part; the first level is the one that others are compared with",
        f"factors <- {r_list({name: r_vector(texts) for name, texts in levels.items()})}",
        "# columns whose values are names of units",
        f"groups <- {r_vector(columns.groups.values())}",
        f"slopes <- {r_vector(names[name] for name in slopes(fit))}",
        f"margins <- {r_list({names[name]: repr(float(x)) for name, x in margins.items()})}",
        f"logarithm <- {'TRUE' if logarithm else 'FALSE'}  # whether the response is one",
        "",
    ]
    shared = files("trialkit.archive").joinpath("repeat.R").read_text(encoding="utf-8")
    return "\n".join(lines) + "\n" + shared
