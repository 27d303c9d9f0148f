"""From a matplotlib figure to a small, safe piece of SVG inside the page.

The drawing is rewritten so that it fits into a page: its colours become the page's own (a
dark page swaps them), its words use the reader's fonts, its names do not clash with those of
other figures, and nothing in it points outside the page.
"""

from __future__ import annotations

import re
from functools import lru_cache
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree

from markupsafe import Markup

from trialkit.style import DARK, drawing
from trialkit.visible_text import visible

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_SVG = "{http://www.w3.org/2000/svg}"
_XLINK = "{http://www.w3.org/1999/xlink}href"
_NUMBER = re.compile(r"-?\d+\.\d{2,}")
#: What the page's own style says of every drawing, or what says nothing.
_NEEDLESS = re.compile(r"(?:font-family|stroke-linejoin):[^;]*;?\s*")
_UPRIGHT = re.compile(r"rotate\(-?0(?:\.0*)? [^)]*\)")
_FONT = re.compile(r"font:\s*(?:(?P<weight>bold|\d{3})\s+)?(?P<size>[\d.]+)px[^;]*")
_HOUSE = re.compile("|".join(DARK))
_LOCAL = re.compile(r"url\(#([^)]+)\)")
_PAD_IN = 0.06  # around what is drawn, where a figure is cut to it


def color_name(color: str) -> str:
    """Give the style-sheet name of one of the house colours.

    Examples
    --------
    >>> color_name("#22302e")
    '--t-22302e'
    """
    return "--t-" + color.lstrip("#")


def dark_colors() -> str:
    """Give the style-sheet lines that swap every house colour for its dark partner."""
    return "".join(f"{color_name(light)}:{dark};" for light, dark in DARK.items())


def inline_svg(drawn: Axes | Figure, *, ident: str, alt: str, cut: bool = True) -> Markup:
    """Turn a figure into SVG that can stand inside a page.

    Parameters
    ----------
    drawn : Axes or Figure
        What to show.
    ident : str
        Short name, unlike that of any other figure on the page.
    alt : str
        What the figure shows, for those who cannot see it.
    cut : bool
        Show only the part in which something is drawn; takes longer.

    Returns
    -------
    Markup
        One `svg` element, equal bytes for equal figures.
    """
    from trialkit.report.svg_renderer import write_svg

    figure: Any = getattr(drawn, "figure", drawn)
    with drawing():
        text, shown = write_svg(figure, pad=_PAD_IN if cut else None)
    root = ElementTree.fromstring(re.sub(r"<!DOCTYPE[^>]*>", "", visible(text)))
    used = _names_used(root)
    _clean(root, ident, used)
    root.attrib.pop("height", None)
    root.attrib.pop("version", None)
    root.attrib["viewBox"] = " ".join(f"{v:f}".rstrip("0").rstrip(".") for v in shown)
    wide = f"{shown[2] * 96 / 72:.0f}"
    root.attrib |= {"role": "img", "aria-label": visible(alt), "width": wide}
    ElementTree.register_namespace("", _SVG.strip("{}"))
    return Markup(ElementTree.tostring(root, encoding="unicode").replace("\n", " "))


def _names_used(root: ElementTree.Element) -> set[str]:
    used: set[str] = set()
    for element in root.iter():
        used |= {v.lstrip("#") for k, v in element.attrib.items() if k in (_XLINK, "href")}
        for value in element.attrib.values():
            used |= set(_LOCAL.findall(value))
    return used


def _clean(element: ElementTree.Element, ident: str, used: set[str]) -> None:
    kept: list[ElementTree.Element] = []
    for child in element:
        if child.tag in (_SVG + "metadata", _SVG + "style") or _invisible(child):
            continue
        _clean(child, ident, used)
        _share_style(child)
        groups_nothing = child.tag == _SVG + "g" and not child.attrib
        kept += list(child) if groups_nothing else [child]
    element[:] = kept
    element.text = (element.text or "").strip() or None
    element.tail = None
    attributes = {}
    _gather_colors(element)
    for name, value in element.attrib.items():
        if name == "id":
            if value in used:
                attributes["id"] = f"{ident}-{value}"
        elif name in (_XLINK, "href"):
            attributes["href"] = f"#{ident}-{value.lstrip('#')}"
        elif name == "style":
            attributes["style"] = _style(value, ident).rstrip("; ")
        elif name == "transform" and _UPRIGHT.fullmatch(value):
            continue
        else:
            value = _LOCAL.sub(rf"url(#{ident}-\1)", value)
            attributes[name] = _shorter(value) if name != "viewBox" else value
    element.attrib.clear()
    element.attrib.update({k: v for k, v in attributes.items() if v})


def _share_style(group: ElementTree.Element) -> None:
    """Say a style that all marks of a group have once, at the group."""
    if group.tag != _SVG + "g":
        return
    marks = list(group)
    styles = {mark.attrib.get("style", "") for mark in marks}
    same = len(marks) > 1 and len(styles) == 1 and all(m.tag == _SVG + "use" for m in marks)
    if same and "style" not in group.attrib and "" not in styles:
        group.attrib["style"] = styles.pop()
        for mark in marks:
            del mark.attrib["style"]


def _gather_colors(element: ElementTree.Element) -> None:
    """Move colours given as attributes (in patterns) into the style, where pages swap them."""
    moved = [f"{k}: {element.attrib.pop(k)}" for k in ("fill", "stroke") if k in element.attrib]
    if moved:
        element.attrib["style"] = "; ".join(filter(None, [element.attrib.get("style"), *moved]))


def _invisible(element: ElementTree.Element) -> bool:
    if element.tag != _SVG + "path":
        return False
    return element.attrib.get("style", "").replace(" ", "") == "fill:none"


def _tenth(number: re.Match[str]) -> str:
    return f"{float(number[0]):.1f}".removesuffix(".0")


def _shorter(value: str) -> str:
    """Round to a tenth of a point and drop line breaks."""
    rounded = _NUMBER.sub(_tenth, value)
    return " ".join(rounded.split())


@lru_cache(maxsize=512)
def _style(value: str, ident: str) -> str:
    value = _NEEDLESS.sub("", value)
    value = _FONT.sub(_font, _LOCAL.sub(rf"url(#{ident}-\1)", value))
    value = _HOUSE.sub(lambda found: f"var({color_name(found.group())},{found.group()})", value)
    return _shorter(value).replace(": ", ":").replace("; ", ";")


def _font(match: re.Match[str]) -> str:
    weight = match["weight"]
    heavy = f";font-weight:{weight}" if weight and weight != "400" else ""
    return f"font-size:{match['size']}px{heavy}"
