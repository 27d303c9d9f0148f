"""Pages without their pictures, which take most of the time, to test what their words say."""

import importlib
import pkgutil

from markupsafe import Markup

import trialkit.report
from trialkit.report import pictures
from trialkit.report.page_parts import Picture

EMPTY = Markup("<svg></svg>")


def leave_out_pictures(monkeypatch, *, but=()):
    """Put an empty drawing in place of each picture of a page, except those of some sections."""
    for found in pkgutil.iter_modules(trialkit.report.__path__, "trialkit.report."):
        module = importlib.import_module(found.name)
        if module is pictures or found.name.rpartition(".")[2] in but:
            continue
        if hasattr(module, "make_picture"):
            monkeypatch.setattr(module, "make_picture", _nothing)
        if hasattr(module, "inline_svg"):
            monkeypatch.setattr(module, "inline_svg", lambda *given, **options: EMPTY)


def _nothing(draw, *, ident, alt, caption, forms=2):
    return Picture(EMPTY, caption, narrow=EMPTY if forms == 2 else None)
