"""The day's page: one file for a phone, without script and network."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

from trialkit.whole_files import write_whole
from trialkit.wording import spoken

if TYPE_CHECKING:
    from trialkit.today.look import Today


def write_today(today: Today, path: str | Path) -> Path:
    """Write the page; it appears whole or not at all.

    Parameters
    ----------
    today : Today
    path : str or Path

    Returns
    -------
    Path
    """
    return write_whole(Path(path), today_page(today))


def today_page(today: Today) -> str:
    """Build the page as text."""
    from jinja2 import Environment, StrictUndefined

    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    source = files("trialkit.today").joinpath("page.html.j2").read_text(encoding="utf-8")
    say = spoken()
    return environment.from_string(source).render(
        say=say.text,
        language=say.language,
        title=today.title,
        when=say.moment(today.now),
        standing=str(today.standing),
        headline=today.headline,
        well=today.all_well,
        wrong=[(f.message, f.remedy) for f in today.wrong],
        due=[str(line) for line in today.due],
        key={kind: say.text(f"today.key.{kind}") for kind in ("below", "inside", "above")},
        chambers=[_card(today, row) for row in today.told_chambers()],
        read=say.text("today.read", files=today.files, read=today.read) if today.files else "",
    )


def _card(today: Today, row: dict[Any, Any]) -> dict[str, Any]:
    say = spoken()
    known = row["rh_pct"] is not None and row["rh_pct"] == row["rh_pct"]
    shares = [row[f"{k}_pct"] for k in ("below", "inside", "above")]
    whole = all(s is not None and s == s for s in shares)
    alarmed = any(row["chamber"] == f.said.values.get("chamber") for f in _said(today))
    return {
        "name": row["chamber"],
        "level": row["level"],
        "setting": row["setting"],
        "now": say.percent(row["rh_pct"], 0) if known else "–",
        "bar": [round(float(s), 1) for s in shares] if whole else [],
        "shares": ", ".join(
            f"{say.text(f'today.key.{kind}')} {say.percent(row[f'{kind}_pct'], 0)}"
            for kind in ("below", "inside", "above")
        ),
        "lines": today.lines(row),
        "alarmed": alarmed,
    }


def _said(today: Today) -> list[Any]:
    """Give the findings whose message names its values."""
    return [f for f in today.wrong if hasattr(f.said, "values")]
