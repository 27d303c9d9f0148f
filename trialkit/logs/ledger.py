"""The ledger: the account of every row read, kept or set aside, and of every change.

Rows read = rows kept + rows set aside, per file, always. A row is set aside once, by the
first rule that catches it. Nothing here looks at values; the readers do and report here.
"""

from __future__ import annotations

import csv
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from io import StringIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from trialkit.errors import Finding
from trialkit.formulas import without_formulas
from trialkit.logs.rules import RULES, rule_name
from trialkit.logs.text.files import matches_file
from trialkit.short_repr import short_repr
from trialkit.whole_files import write_whole
from trialkit.wording import Message, finding, message, spoken, suggestion

if TYPE_CHECKING:
    import pandas as pd

    from trialkit.display import Shown
    from trialkit.trial.sections import Keep

# more rows than this that are treated alike in every word take one line together …
_MOST_ALIKE = 6
# … and more than this even where their old values differ
_COMPRESS_ABOVE = 50
#: Columns that hold messages.
SAID = ("reason", "remedy")
_COLUMNS = (
    "file", "row", "row_last", "rows", "column", "rule", "action", "old", "new", "reason", "remedy"
)  # fmt: skip


@dataclass(frozen=True)
class Ledger:
    """What happened to every row of every file.

    Parameters
    ----------
    lines : DataFrame
        The lines of `table`, with reason and remedy as messages (or the user's own words).
    counts : DataFrame
        One row per file: ``file, read, kept, set_aside``.
    """

    lines: pd.DataFrame
    counts: pd.DataFrame

    __repr__ = short_repr

    @property
    def table(self) -> pd.DataFrame:
        """Every line, with reason and remedy said in the language in use.

        Columns ``file, row, row_last, rows, column, rule, action, old, new, reason, remedy``.
        `row` is the line in the file as a person counts them (1 is the first line), `row_last`
        the last one of a run treated alike, `rows` how many rows the line stands for. `action`
        is ``"set aside"``, ``"changed"``, ``"kept by request"`` or ``"note"``.
        """
        return self.lines.assign(**{name: say_each(self.lines[name]) for name in SAID})

    def summary(self) -> pd.DataFrame:
        """Give one row per file: ``file, read, kept, set_aside`` (rows)."""
        return self.counts.copy()

    @property
    def adds_up(self) -> bool:
        """Whether rows read = kept + set aside, and the lines of the table agree, per file."""
        read, kept, aside = (
            self.counts[c].to_numpy(dtype=np.int64) for c in ("read", "kept", "set_aside")
        )
        listed: dict[str, int] = {}
        chosen = self.lines["action"].to_numpy() == "set aside"
        rows = self.lines["rows"].to_numpy()
        for file, n in zip(self.lines["file"].to_numpy()[chosen], rows[chosen], strict=True):
            listed[file] = listed.get(file, 0) + int(n)
        told = [listed.get(file, 0) for file in self.counts["file"]]
        return bool((read == kept + aside).all() and (aside == np.array(told, np.int64)).all())

    def write(self, path: str | Path) -> Path:
        """Write the ledger as CSV; cells that a spreadsheet would run are made plain text."""
        out = StringIO(newline="")
        writer = csv.writer(out)
        writer.writerow(_COLUMNS)
        for record in without_formulas(self.table[list(_COLUMNS)]).itertuples(index=False):
            writer.writerow(record)
        return write_whole(Path(path), out.getvalue())

    def shown(self) -> Shown:
        """Format the count of rows of every file as a table."""
        from trialkit.display import show_table

        say = spoken().text
        heads = {name: say(f"ledger_head.{name}") for name in self.counts.columns}
        return show_table(self.counts, heads=heads, caption=say("ledger.caption"))

    def __str__(self) -> str:
        return self.shown().text()

    def _repr_html_(self) -> str:
        return self.shown().html()


def say_each(cells: pd.Series) -> pd.Series:
    """Say every cell of a column in the language in use, each message once."""
    import pandas as pd

    values = cells.to_numpy(dtype=object)
    said = {id(value): str(value) for value in values}
    return pd.Series([said[id(value)] for value in values], index=cells.index, dtype=object)


@dataclass
class FileAccount:
    """The account of one file while it is read.

    Parameters
    ----------
    file : str
        Name shown to people.
    rows : ndarray of int, shape (n,)
        Line number of each row read.
    keep : sequence of Keep
        Requests from the trial file that touch this file.
    alive : ndarray of bool, shape (n,)
        Which rows are still kept.
    """

    file: str
    rows: np.ndarray
    keep: Sequence[Keep] = ()
    alive: np.ndarray = field(init=False)
    lines: list[dict[str, Any]] = field(default_factory=list)
    used: set[int] = field(default_factory=set)

    def __post_init__(self) -> None:
        self.alive = np.ones(len(self.rows), dtype=bool)

    def set_aside(
        self,
        which: Any,
        *,
        rule: str,
        reason: Any,
        remedy: Any = "",
        column: str = "",
        old: Any = "",
        keepable: bool = True,
    ) -> np.ndarray:
        """Set rows aside by a rule, unless the trial file asks to keep them.

        Parameters
        ----------
        which : ndarray of bool or of int
            Mask over the rows of the file, or their positions.
        rule : str
            One of `RULES`.
        reason, remedy : Message, str or sequence
            One for all, or one per row of `which`.
        old : str or sequence
            Likewise.
        column : str
            Head of the column at fault, if one is.
        keepable : bool
            False where nothing usable is there to keep.

        Returns
        -------
        ndarray of int
            Positions of the rows set aside.
        """
        index, texts = self._select(which, {"reason": reason, "remedy": remedy, "old": old})
        live = self.alive[index]
        index, texts = index[live], _cut(texts, live)
        if keepable:
            index, texts = self._without_asked(index, texts, rule, column)
        elif (asked := self.asked_for(index, rule)).any():
            remedies = np.full(len(index), texts["remedy"], dtype=object)
            remedies[asked] = message("row_remedy.cannot_be_kept")
            texts = texts | {"remedy": remedies}
        if len(index):
            self.alive[index] = False
            self._line(index, rule, "set aside", column, new="", texts=texts)
        return np.asarray(index)

    def change(
        self,
        which: Any,
        *,
        rule: str,
        reason: Any,
        column: str,
        old: Any,
        new: Any,
        remedy: Any = "",
    ) -> np.ndarray:
        """Record changed values; give the positions that may be changed (not kept by request)."""
        index, texts = self._select(
            which, {"reason": reason, "remedy": remedy, "old": old, "new": new}
        )
        index, texts = self._without_asked(index, texts, rule, column)
        self._line(index, rule, "changed", column, new=texts["new"], texts=texts)
        return np.asarray(index)

    def note(
        self,
        which: Any,
        *,
        rule: str,
        reason: Any,
        column: str = "",
        old: Any = "",
        remedy: Any = "",
    ) -> np.ndarray:
        """Record something doubtful about rows that stay as they are; give their positions."""
        index, texts = self._select(which, {"reason": reason, "remedy": remedy, "old": old})
        index, texts = self._without_asked(index, texts, rule, column)
        self._line(index, rule, "note", column, new="", texts=texts)
        return np.asarray(index)

    def count(self, rule: str) -> int:
        """Count the rows set aside by a rule."""
        mine = [x for x in self.lines if x["rule"] == rule and x["action"] == "set aside"]
        return sum(int(np.sum(x["rows"])) for x in mine)

    def asked_for(self, index: np.ndarray, rule: str) -> np.ndarray:
        """Tell which rows, given by position, the trial file asks to keep in spite of a rule."""
        return self._asked(index, rule)[0]

    def _select(self, which: Any, texts: dict[str, Any]) -> tuple[np.ndarray, dict[str, Any]]:
        which = np.asarray(which)
        index: np.ndarray = np.flatnonzero(which) if which.dtype == bool else which.astype(np.int64)
        for name, value in texts.items():
            if not _for_all(value):
                texts[name] = np.asarray(value, dtype=object)
                if which.dtype == bool and len(value) == len(which) != len(index):
                    texts[name] = texts[name][index]
        return index, texts

    def _asked(self, index: np.ndarray, rule: str) -> tuple[np.ndarray, np.ndarray]:
        asked = np.zeros(len(index), dtype=bool)
        because = np.full(len(index), "", dtype=object)
        for number, request in enumerate(self.keep):
            if request.rule != rule:
                continue
            hit = np.isin(self.rows[index], request.rows)
            if hit.any():
                self.used.add(number)
            asked |= hit
            because[hit] = request.because
        return asked, because

    def _without_asked(
        self, index: np.ndarray, texts: dict[str, Any], rule: str, column: str
    ) -> tuple[np.ndarray, dict[str, Any]]:
        """Tell the rows that the trial file asks to keep; give the others."""
        asked, because = self._asked(index, rule)
        if asked.any():
            kept = _cut(texts, asked) | {"reason": because[asked]}
            self._line(index[asked], rule, "kept by request", column, new="", texts=kept)
        return index[~asked], _cut(texts, ~asked)

    def _line(
        self,
        index: np.ndarray,
        rule: str,
        action: str,
        column: str,
        *,
        new: Any,
        texts: dict[str, Any],
    ) -> None:
        if rule not in RULES:
            raise AssertionError(f"rule {rule!r} is not in the list of rules")
        if not len(index):
            return
        order = np.argsort(self.rows[index], kind="stable")
        index, texts, new = index[order], _cut(texts, order), _cut({"n": new}, order)["n"]
        rows = self.rows[index]
        base = {"column": column, "rule": rule, "action": action}
        cells = {"old": texts["old"], "new": new, **{k: texts[k] for k in ("reason", "remedy")}}
        if len(index) > _MOST_ALIKE:
            many = len(index) > _COMPRESS_ABOVE and action != "changed"
            starts = _run_starts(index, cells, loose=("old",) if many else ())
        else:
            starts = np.arange(len(index))
        ends = np.append(starts[1:], len(index)) - 1
        out: dict[str, Any] = {
            "row": rows[starts],
            "row_last": rows[ends],
            "rows": ends - starts + 1,
        }
        for name, value in cells.items():
            if _for_all(value):
                out[name] = value
                continue
            out[name] = first = value[starts]
            last = value[ends]
            for k in np.flatnonzero((starts != ends) & (first != last)):
                first[k] = f"{first[k]} … {last[k]}"  # old values only: the others are alike
        self.lines.append(base | out)


def _cut(texts: dict[str, Any], chosen: np.ndarray) -> dict[str, Any]:
    return {name: v if _for_all(v) else v[chosen] for name, v in texts.items()}


def _for_all(value: Any) -> bool:
    """Whether one text stands for all rows."""
    return isinstance(value, (str, Message))


def _run_starts(index: np.ndarray, cells: dict[str, Any], *, loose: tuple[str, ...]) -> np.ndarray:
    """Find where runs of neighbouring rows treated alike begin."""
    breaks = np.diff(index) != 1
    for name, value in cells.items():
        if not _for_all(value) and name not in loose:
            breaks |= value[1:] != value[:-1]
    return np.concatenate([[0], np.flatnonzero(breaks) + 1])


class Account:
    """The account of all files of one log while they are read."""

    def __init__(self, keep: Sequence[Keep] = (), known: Collection[str] = ()) -> None:
        self.keep, self.known = list(keep), known
        self.files: list[FileAccount] = []

    def open(self, file: str, rows: np.ndarray) -> FileAccount:
        """Start the account of a file whose rows have these line numbers."""
        mine = [k for k in self.keep if matches_file(file, k.file, self.known)]
        account = FileAccount(file, np.asarray(rows, dtype=np.int64), mine)
        self.files.append(account)
        return account

    def drop(self, account: FileAccount) -> None:
        """Forget the account of a file that could not be read to its end."""
        self.files.remove(account)

    def tell_doubled(self) -> list[Finding]:
        """Tell, once for each file, how many of its rows stand in the files twice."""
        doubled: dict[str, int] = {}
        for f in self.files:  # a file that was read in pieces has an account for each
            doubled[f.file] = doubled.get(f.file, 0) + f.count("double export")
        return [finding("double_export", "note", file=f, count=n) for f, n in doubled.items() if n]

    def close(self) -> tuple[Ledger, list[Finding]]:
        """Give the finished ledger, and findings about requests that touched nothing."""
        import pandas as pd

        frames = [
            pd.DataFrame({"file": f.file, **line}, columns=list(_COLUMNS))
            for f in self.files
            for line in f.lines
        ]
        if frames:
            table = pd.concat(frames, ignore_index=True)
            order = {f.file: i for i, f in enumerate(self.files)}
            rank = table["file"].map(order)
            table = table.assign(_rank=rank).sort_values(["_rank", "row"], kind="stable")
            table = table.drop(columns="_rank").reset_index(drop=True)
        else:
            table = pd.DataFrame({name: pd.Series(dtype=object) for name in _COLUMNS})
        for name in ("row", "row_last", "rows"):
            table[name] = table[name].astype("int64")
        for name in ("file", "column", "rule", "action", "old", "new"):
            table[name] = table[name].astype(object).map(str) if len(table) else table[name]
        counts = pd.DataFrame(
            [(f.file, len(f.rows), int(f.alive.sum()), int((~f.alive).sum())) for f in self.files],
            columns=["file", "read", "kept", "set_aside"],
        )
        counts = counts.groupby("file", sort=False, as_index=False).sum()
        ledger = Ledger(table, counts)
        if not ledger.adds_up:
            raise AssertionError("the ledger does not add up")
        return ledger, self._idle_requests()

    def _idle_requests(self) -> list[Finding]:
        used = {id(f.keep[i]) for f in self.files for i in f.used}
        findings = []
        for request in self.keep:
            if id(request) in used:
                continue
            known = request.rule in RULES
            findings.append(
                finding(
                    "idle_request",
                    "note",
                    form="keep" if known else "keep_unknown_rule",
                    rows=list(request.rows),
                    file=request.file,
                    rule=rule_name(request.rule),
                    hint=suggestion(request.rule, RULES, list_all=True),
                )
            )
        return findings
