"""Sizes of labels that are sold in sheets and on rolls, named by their size alone.

Sheets sit in the middle of their page. Sizes and counts are those in common sale (from memory);
print one page on plain paper and hold it against the sheet first.
"""

from __future__ import annotations

from dataclasses import dataclass

from trialkit.errors import PlanError

_PAGES = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}


@dataclass(frozen=True)
class LabelFormat:
    """One size of label.

    Parameters
    ----------
    name : str
        Width by height in whole millimetres, such as ``"70x37"``.
    width_mm, height_mm : float
    page : str
        ``"A4"``, ``"Letter"``, ``"roll"`` (a label is its own page), or ``"cut"`` for plain
        paper of either size that is cut by hand.
    across, down : int
        Labels beside and below one another on a page.
    gap_mm : float
        Space between neighbours across.
    """

    name: str
    width_mm: float
    height_mm: float
    page: str
    across: int = 1
    down: int = 1
    gap_mm: float = 0.0

    @property
    def each_page(self) -> int:
        """Labels on a page."""
        return self.across * self.down

    @property
    def margins_mm(self) -> tuple[float, float]:
        """Free space above and left of the labels.

        Examples
        --------
        >>> FORMATS["70x37"].margins_mm  # 3 x 70 mm fill the width; 8 x 37 mm leave 1 mm
        (0.5, 0.0)
        """
        if self.page not in _PAGES:
            return 0.0, 0.0
        wide, tall = _PAGES[self.page]
        left = (wide - self.across * self.width_mm - (self.across - 1) * self.gap_mm) / 2
        return round((tall - self.down * self.height_mm) / 2, 2), round(left, 2)


#: Size → format; the first is printed where no other is asked for.
FORMATS = {
    one.name: one
    for one in (
        LabelFormat("94x49", 94, 49, "cut", 2, 5, 2),
        LabelFormat("105x57", 105, 57, "A4", 2, 5),
        LabelFormat("99x68", 99.1, 67.7, "A4", 2, 4, 2.5),
        LabelFormat("99x38", 99.1, 38.1, "A4", 2, 7, 2.5),
        LabelFormat("70x37", 70, 37, "A4", 3, 8),
        LabelFormat("64x38", 63.5, 38.1, "A4", 3, 7, 2.5),
        LabelFormat("102x51", 101.6, 50.8, "Letter", 2, 5, 4.8),
        LabelFormat("67x25", 66.7, 25.4, "Letter", 3, 10, 3.2),
        LabelFormat("62x29", 62, 29, "roll"),
        LabelFormat("57x32", 57, 32, "roll"),
        LabelFormat("100x50", 100, 50, "roll"),
    )
}


def find_format(text: str | None) -> LabelFormat:
    """Find a format by its size, such as ``70x37`` or ``70 × 37 mm``; the first by default.

    Raises
    ------
    PlanError
        If there is no such size; all are named.

    Examples
    --------
    >>> find_format("70 × 37 mm").each_page
    24
    """
    if text is None:
        return next(iter(FORMATS.values()))
    plain = text.casefold().replace("mm", "").replace("×", "x").replace(" ", "")
    if plain in FORMATS:
        return FORMATS[plain]
    sizes = ", ".join(f"{name} ({one.page})" for name, one in FORMATS.items())
    raise PlanError(f"there are no labels of the size {text!r} here; choose one of: {sizes}")
