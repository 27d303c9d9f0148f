"""Pages to carry into the growing room: labels, cards, map, check-list.

Plain HTML that prints well on A4 and US Letter and asks nothing of the network. Every word
from a user's file is escaped.
"""

from __future__ import annotations

import io
from importlib import resources
from pathlib import Path
from typing import Any

from trialkit.cautions import list_cautions, uses_of
from trialkit.design.layout.allocation import Allocation
from trialkit.design.layout.site import strata_factors
from trialkit.design.sheets.checklist import checklist_parts
from trialkit.design.sheets.label_formats import FORMATS, LabelFormat, find_format
from trialkit.design.sheets.timers import Use, daily_use
from trialkit.design.sheets.weighing import form_words, weighing_pages
from trialkit.structure import Term
from trialkit.style import looks
from trialkit.trial import Factor, Setting
from trialkit.wording import Units, plural, spoken


def write_sheets(
    plan: Allocation,
    folder: Path,
    *,
    blind: bool = True,
    drawn: str | None = None,
    labels: str | None = None,
) -> list[str]:
    """Write labels, cards, weighing form and check-list; give the names of the files.

    Parameters
    ----------
    plan : Plan
    folder : Path
    blind : bool
        Leave treatments off the block labels. Cards for chambers always show their setting.
    drawn : str, optional
        The map as SVG, if it is at hand already.
    labels : str, optional
        Size of the labels, such as ``"70x37"``; see `trialkit.design.sheets.label_formats`.
    """
    pages = {
        "labels.html": labels_page(plan, blind=blind, size=labels),
        "cards.html": cards_page(plan, drawn=drawn),
        "weighing.html": weighing_page(plan),
        "checklist.html": checklist_page(plan),
    }
    for name, text in pages.items():
        (folder / name).write_text(text, encoding="utf-8")
    return list(pages)


def _render(name: str, plan: Allocation, **values: Any) -> str:
    from jinja2 import Environment
    from markupsafe import Markup

    source = resources.files("trialkit.design.sheets") / "pages"
    environment = Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True)
    template = environment.from_string((source / f"{name}.html.j2").read_text("utf-8"))
    css = Markup((source / "page.css").read_text("utf-8"))
    wording = spoken()
    common = {"title": plan.trial.title, "seed": str(plan.seed), "hash": plan.hash[:12]}

    def say(key: str, **places: object) -> str:
        return wording.text(key, **{**common, **places})

    return template.render(say=say, language=wording.language, css=css, **common, **values)


def scan_code(text: str) -> str:
    """Give a scannable code (QR, medium error correction) as an inline SVG."""
    import segno

    code = segno.make(text, error="m", micro=False)
    out = io.BytesIO()
    code.save(out, kind="svg", xmldecl=False, svgns=True, omitsize=True, border=2, nl=False)
    return out.getvalue().decode("utf-8")


def labels_page(plan: Allocation, *, blind: bool = True, size: str | None = None) -> str:
    """Make the page of labels, one per smallest unit, its code large and scannable.

    Parameters
    ----------
    plan : Plan
    blind : bool
        Leave treatments off, so that whoever weighs cannot know.
    size : str, optional
        Size of the labels, such as ``"70x37"``; for plain paper, cut by hand, by default.

    Returns
    -------
    str
        HTML.

    Raises
    ------
    PlanError
        If labels of that size are not known here.

    Notes
    -----
    Codes are set in 34 point (letters 8.6 mm high) or as large as the label is wide and tall;
    4 mm letters are read with ease at 0.8 m (1/200 of the distance; ISO 9241-303, from memory).
    Each label has a box for the weight of every flush.
    """
    from markupsafe import Markup

    form = find_format(size)
    factors = list(plan.trial.factors) if not blind else []
    pad = 3.0 if form.height_mm >= 45 else 2.0
    points = _code_size(max(map(str, plan.table["unit"]), key=len), form, pad)
    scan = round(min(27.0, form.height_mm - 2 * pad - 0.45 * points - 5), 1)
    labels = []
    for row in plan.table.to_dict("records"):
        unit = str(row["unit"])
        told = [(name, str(row[name])) for name in factors]
        labels.append({"unit": unit, "lines": told, "svg": Markup(scan_code(unit))})
    top, left = form.margins_mm
    how = "cut" if form.page == "cut" else "roll" if form.page == "roll" else "sheet"
    return _render(
        "labels",
        plan,
        labels=labels,
        blind=blind,
        form=form,
        size=points,
        parts=spoken().listed([str(Units((name,), 1)) for name in plan.trial.structure.factors]),
        pad=pad,
        scan=scan,
        top=top,
        left=left,
        small=form.height_mm < 45,
        flushes=range(1, plan.trial.flushes + 1),
        paper=f"{form.width_mm}mm {form.height_mm}mm" if how == "roll" else form.page,
        how=spoken().text(
            f"label.how.{how}",
            count=len(labels),
            each=form.each_page,
            page=form.page,
            size=form.name,
        ),
        sizes=", ".join(f"{name} ({one.page})" for name, one in FORMATS.items()),
    )


def _code_size(text: str, form: LabelFormat, pad: float) -> float:
    """Give the font size [pt] at which a bold code fills a label's width, at most 34."""
    wide = (form.width_mm - 2 * pad - 2) / 25.4 * 72 / (0.72 * max(1, len(text)))
    tall = form.height_mm / 4.5 / 25.4 * 72
    return round(min(34.0, wide, tall), 1)


def weighing_page(plan: Allocation) -> str:
    """Make the form that is filled in at the scale: a page or more for each chamber run."""
    return _render("weighing", plan, pages=weighing_pages(plan), **form_words(plan))


def cards_page(plan: Allocation, *, drawn: str | None = None) -> str:
    """Make the page with the map and one card per treated chamber (or other large unit).

    `drawn` is the map as SVG, if it is at hand already.
    """
    from markupsafe import Markup

    from trialkit.design.sheets.map import map_svg

    figure = Markup(drawn if drawn is not None else map_svg(plan))
    cards = _cards(plan)
    batches = list(dict.fromkeys(card["when"] for card in cards))
    lists = [(when, [card for card in cards if card["when"] == when]) for when in batches]
    return _render("cards", plan, pages=_paged(cards), map=figure, lists=lists)


def _paged(cards: list[dict[str, Any]], most: int = 4) -> list[list[dict[str, Any]]]:
    """Share cards out to pages, each batch beginning a new one."""
    pages: list[list[dict[str, Any]]] = []
    for card in cards:
        if not pages or len(pages[-1]) == most or pages[-1][0]["when"] != card["when"]:
            pages.append([])
        pages[-1].append(card)
    return pages


def _cards(plan: Allocation) -> list[dict[str, Any]]:
    groups = strata_factors(plan.trial)
    first = next(iter(groups))
    use = {
        (f.name, level): daily_use(plan.trial, setting)
        for f in groups[first]
        for level, setting in f.levels.items()
    }
    cards = []
    units = plan.table[[*first, *(f.name for f in groups[first])]].drop_duplicates()
    for row in units.to_dict("records"):
        unit = {name: str(row[name]) for name in first}
        parts = [_part(f, str(row[f.name]), use[f.name, str(row[f.name])]) for f in groups[first]]
        within = [
            _within(plan, unit, f, term)
            for term, factors in groups.items()
            for f in factors
            if set(first) < set(term)
        ]
        cards.append({**_place(unit), "parts": parts, "within": within})
    return cards


def _place(unit: dict[str, str]) -> dict[str, str]:
    """Name a card's place: the chamber large, the batch beside it; or all levels."""
    rest = [name for name in unit if name != "batch"]
    place = " ".join(
        f"{name} {unit[name]}" if unit[name].isdigit() else unit[name] for name in rest
    )
    when = spoken().text("card.batch", name=unit["batch"]) if "batch" in unit else ""
    return {"place": place or when, "when": when if place else ""}


def _part(factor: Factor, level: str, use: Use) -> dict[str, Any]:
    setting = factor.levels[level]
    return {
        "treatment": factor.name,
        "level": level,
        "words": setting.words,
        "color": looks(list(factor.levels))[level].color,
        "big": _big(setting),
        "rows": _use_rows(use),
        "basis": spoken().text("card.basis", basis=use.basis) if use.basis else "",
    }


def _big(setting: Setting) -> list[tuple[str, str, str]]:
    """Give what is set on a timer, sensor or lamp, to be printed large; minutes stand beside it."""
    say = spoken()
    if setting.kind == "timed":
        shown = [("mist_on", setting.on_s, "s"), ("mist_off", setting.off_s, "s")]
    elif setting.kind == "band":
        shown = [("start_below", setting.start_below_rh, "%")]
        shown += [("stop_above", setting.stop_above_rh, "%")]
    elif setting.kind == "light" and setting.hours is not None:
        shown = [("lux", setting.lux, "lux")]
        if setting.lux is None:
            shown = [("lux", setting.ppfd_umol_m2_s, "µmol/(m² s)")]
        shown += [("hours", setting.hours, "h")]
    else:
        words = setting.words
        return [(say.text("card.set_to"), words, "")] if words else []
    return [
        (
            say.text(f"card.{key}"),
            f"{say.number(value)} {unit}",
            minutes_and_seconds(value) if unit == "s" and value else "",
        )
        for key, value, unit in shown
    ]


def minutes_and_seconds(seconds: float) -> str:
    """Write a time as a timer without seconds alone has it; empty under a minute.

    Examples
    --------
    >>> minutes_and_seconds(930), minutes_and_seconds(5400), minutes_and_seconds(30)
    ('15 min 30 s', '1 h 30 min', '')
    """
    if seconds < 60:
        return ""
    whole, rest = divmod(seconds, 60)
    hours, minutes = divmod(int(whole), 60)
    parts = [f"{hours} h" if hours else "", f"{minutes} min" if minutes else ""]
    parts.append(f"{spoken().number(rest)} s" if rest else "")
    return " ".join(part for part in parts if part)


def _use_rows(use: Use) -> list[tuple[str, str]]:
    say = spoken()
    rows = [
        ("cycles", use.cycles_per_day, 0, ""),
        ("duty", use.duty_pct, 1, " %"),
        ("water", use.water_l_day, 2, " L"),
        ("energy", use.energy_kwh_day, 2, " kWh"),
        ("refill", use.refill_hours, 0, " h"),
    ]
    return [
        (say.text(f"card.{key}"), say.number(value, decimals) + unit)
        for key, value, decimals, unit in rows
        if value is not None
    ]


def _within(plan: Allocation, unit: dict[str, str], factor: Factor, term: Term) -> dict[str, Any]:
    """List what smaller units inside a card's unit receive, if there are few."""
    table = plan.assignment(factor.name)
    for name, level in unit.items():
        table = table[table[name] == level]
    inner = [name for name in term if name not in unit]
    items = []
    for row in table.to_dict("records"):
        words = factor.levels[str(row[factor.name])].words
        value = str(row[factor.name]) + (f" ({words})" if words else "")
        items.append((" ".join(str(row[name]) for name in inner), value))
    if len(items) > 12:
        say = spoken()
        many = say.text("card.many", count=len(items), units=plural(inner[-1]))
        items = [(many, say.text("card.see_assignment"))]
    return {"treatment": factor.name, "inside": items}


def checklist_page(plan: Allocation) -> str:
    """Make the check-list of a batch: what to do on which day, with cautions."""
    cautions = list_cautions(where="sheets", uses=uses_of(plan.trial))
    return _render("checklist", plan, parts=checklist_parts(plan), cautions=cautions)
