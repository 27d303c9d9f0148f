"""What a command shows: words for people on a terminal, plain text in a pipe, or JSON."""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.text import Text

from trialkit.line_width import within_width
from trialkit.tabular import plain_value
from trialkit.visible_text import visible
from trialkit.wording import message, spoken

if TYPE_CHECKING:
    from trialkit.display import Shown
    from trialkit.errors import Finding

_OBEYED = re.compile("[\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069\ud800-\udfff]")
_STYLE = {"stop": "bold red", "caution": "yellow", "note": "cyan"}


class Screen:
    """The one place where commands print.

    Parameters
    ----------
    command : str
        Name of the command, for the JSON record.
    as_json : bool
        Print nothing but one JSON object at the end.
    """

    def __init__(self, command: str, *, as_json: bool = False) -> None:
        self.as_json = as_json
        self.record: dict[str, Any] = {"command": command, "wrote": [], "findings": []}
        self._out = Console(highlight=False, soft_wrap=not sys.stdout.isatty())
        self._err = Console(highlight=False, stderr=True)

    @property
    def shows_progress(self) -> bool:
        """Whether a moving bar makes sense."""
        return self._err.is_terminal and not self.as_json

    @property
    def converses(self) -> bool:
        """Whether somebody is there to answer questions."""
        return not self.as_json and sys.stdin.isatty() and sys.stdout.isatty()

    def say(self, text: object, *, style: str = "", indent: str = "") -> None:
        """Print a line or a paragraph; words from files are never read as markup."""
        if not self.as_json:
            with within_width(self._out.width if self._out.is_terminal else None):
                line = visible(f"{indent}{text}")
            self._out.print(Text(line, style=style))

    def heading(self, text: object) -> None:
        """Print a line that begins a part."""
        self.say("")
        self.say(text, style="bold")

    def show(self, shown: Shown) -> None:
        """Print a result's table."""
        if self.as_json:
            return
        if not self._out.is_terminal or self._wide(shown):
            self.say(shown)
            return
        from rich import box
        from rich.table import Table

        table = Table(box=box.SIMPLE_HEAD, caption_justify="left", title_justify="left")
        table.title = Text(visible(shown.caption)) if shown.caption else None
        numeric = shown.numeric or (False,) * len(shown.heads)
        for name, right in zip(shown.heads, numeric, strict=True):
            table.add_column(Text(visible(name)), justify="right" if right else "left")
        for row in shown.rows:
            table.add_row(*(Text(visible(cell)) for cell in row))
        self._out.print(table)
        for note in shown.notes:
            self.say(note, style="dim")

    def _wide(self, shown: Shown) -> bool:
        """Whether a table with frames would not fit into a line."""
        rows = [shown.heads, *shown.rows]
        widths = [max(len(row[k]) for row in rows) + 3 for k in range(len(shown.heads))]
        return sum(widths) > self._out.width

    def findings(self, findings: Iterable[Finding]) -> None:
        """Print what must be known, the gravest first, each with its remedy."""
        rank = {"stop": 0, "caution": 1, "note": 2}
        told = sorted(findings, key=lambda f: rank[f.severity])
        self.keep(told)
        for finding in told:
            if self.as_json:
                continue
            word = spoken().text(f"severity.{finding.severity}")
            line = Text.assemble(
                (f"  {word}: ", _STYLE[finding.severity]), visible(finding.message)
            )
            if finding.remedy:
                line.append(visible(f" → {finding.remedy}"), style="dim")
            self._out.print(line)

    def keep(self, findings: Iterable[Finding]) -> None:
        """Put findings into the JSON record, each once, without printing them."""
        for f in findings:
            row = {"code": f.code, "severity": f.severity, "message": f.message, "remedy": f.remedy}
            if row not in self.record["findings"]:
                self.record["findings"].append(row)

    def wrote(self, paths: Iterable[Path]) -> None:
        """Name every file that was written."""
        for path in paths:
            self.record["wrote"].append(str(path))
            self.say(message("cli.wrote", path=str(path)), style="green")

    @contextmanager
    def progress(self, what: object, total: float) -> Iterator[Any]:
        """Show a bar with the time left; gives a function to call with (amount, words)."""
        if not self.shows_progress:
            yield lambda amount, words="": None
            return
        from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

        columns = (
            TextColumn("{task.description}"),
            BarColumn(bar_width=30),
            TimeRemainingColumn(elapsed_when_finished=True),
        )
        with Progress(*columns, console=self._err, transient=True) as bar:
            task = bar.add_task(str(what), total=total)

            def step(amount: float, words: object = "") -> None:
                bar.update(task, advance=amount, description=str(words or what))

            yield step

    @contextmanager
    def counted(self, what: object) -> Iterator[Any]:
        """Show a bar for work that tells (done, planned) itself; gives the function to tell."""
        with self.progress(what, 1.0) as step:
            told = 0.0

            def tell(done: int, planned: int) -> None:
                nonlocal told
                share = done / planned if planned else 1.0
                step(max(share - told, 0.0))
                told = max(share, told)

            yield tell

    def finish(self, code: int) -> int:
        """Print the JSON record if asked; give the exit code back."""
        if self.as_json:
            record = {**self.record, "exit": code}
            text = json.dumps(plain_value(record), ensure_ascii=False, indent=2)
            # what JSON leaves as it is and a terminal obeys stays the same value, written out
            text = _OBEYED.sub(lambda m: f"\\u{ord(m[0]):04x}", text)
            sys.stdout.write(text + "\n")
        return code
