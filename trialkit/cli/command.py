"""What every command shares: its folder, its flags, and how it ends."""

from __future__ import annotations

import difflib
import errno
import inspect
import signal
import sys
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any

import typer

from trialkit.cli.screen import Screen
from trialkit.errors import ReportError, TrialFileError, TrialkitError
from trialkit.shell import quoted
from trialkit.visible_text import visible
from trialkit.wording import languages, message, speaking

DONE, STOPPED_BY_DATA, WRONG_USAGE, OUR_FAULT, INTERRUPTED = 0, 1, 2, 3, 130

Folder = Annotated[
    Path,
    typer.Argument(metavar="[DIR]", help="The trial's folder, or its trial.toml."),
]
Json = Annotated[
    bool, typer.Option("--json", metavar="", help="Print one JSON object instead of words.")
]
Language = Annotated[
    str | None,
    typer.Option(metavar="CODE", help=f"Language of the words: {', '.join(languages())}."),
]
Locale = Annotated[
    str | None,
    typer.Option(metavar="CODE", help="How numbers and dates are written, such as en_GB."),
]
Debug = Annotated[bool, typer.Option("--debug", metavar="", help="Show the traceback of an error.")]


def command(*examples: str) -> Callable[[Callable[..., int]], Callable[..., None]]:
    """Turn ``function(screen, ...) -> exit code`` into a command with the options that all have.

    Errors raised on purpose are shown with their place and remedy and end with code 1, wrong
    usage with 2, and anything unforeseen with 3. The examples end its help page.
    """

    def wrap(function: Callable[..., int]) -> Callable[..., None]:
        signature = inspect.signature(function, eval_str=True)
        own = [p for p in signature.parameters.values() if p.name != "screen"]
        keyword = inspect.Parameter.KEYWORD_ONLY
        flags = [
            inspect.Parameter("language", keyword, default=None, annotation=Language),
            inspect.Parameter("locale", keyword, default=None, annotation=Locale),
            inspect.Parameter("as_json", keyword, default=False, annotation=Json),
            inspect.Parameter("debug", keyword, default=False, annotation=Debug),
        ]

        def run(
            *args: Any,
            language: str | None = None,
            locale: str | None = None,
            as_json: bool = False,
            debug: bool = False,
            **options: Any,
        ) -> None:
            _refuse_unknown(language, locale)
            screen = Screen(function.__name__.rstrip("_"), as_json=as_json)
            with speaking(locale, language):
                code = _run_safely(screen, debug, lambda: function(screen, *args, **options))
            raise typer.Exit(code)

        run.__name__ = function.__name__
        # the lone backspace keeps the lines of the next paragraph as they are
        run.__doc__ = "\n".join(
            [inspect.cleandoc(function.__doc__ or ""), "", "\b", "Examples:"]
            + [f"  {example}" for example in examples]
        )
        run.__signature__ = signature.replace(  # type: ignore[attr-defined]
            parameters=[*own, *flags], return_annotation=None
        )
        run.__annotations__ = {p.name: p.annotation for p in [*own, *flags]}
        return run

    return wrap


def _refuse_unknown(language: str | None, locale: str | None) -> None:
    """Refuse a language without words, or a locale that is none, as wrong usage."""
    for option, given in (("--language", (None, language)), ("--locale", (locale, None))):
        try:
            if any(given):
                with speaking(*given):
                    pass
        except ReportError as problem:
            raise typer.BadParameter(str(problem), param_hint=option) from None


def _run_safely(screen: Screen, debug: bool, work: Callable[[], int]) -> int:
    signal.signal(signal.SIGTERM, _stop)
    try:
        return screen.finish(work())
    except TrialkitError as problem:
        return _failed(screen, problem, STOPPED_BY_DATA, debug)
    except KeyboardInterrupt:
        _complain(str(message("cli.stopped")))
        return INTERRUPTED
    except (typer.Exit, typer.Abort, typer.BadParameter):
        raise
    except BrokenPipeError:
        raise  # whoever read the output has gone
    except OSError as problem:
        return _failed(screen, problem, STOPPED_BY_DATA, debug)
    except MemoryError as problem:
        return _failed(screen, problem, STOPPED_BY_DATA, debug)
    except Exception as problem:
        return _failed(screen, problem, OUR_FAULT, debug)


def _stop(*_: object) -> None:
    """Treat a polite request to end like Ctrl-C, so that spare files are cleared."""
    raise KeyboardInterrupt


def _failed(screen: Screen, problem: Exception, code: int, debug: bool) -> int:
    if debug:
        traceback.print_exc()
    words = str(problem)
    if isinstance(problem, OSError):
        words = _about_file(problem)
    if isinstance(problem, MemoryError):
        words = str(message("cli.no_memory"))
    if code == OUR_FAULT:
        kind = type(problem).__name__
        words = str(message("cli.own_fault", kind=kind, problem=str(problem)))
    screen.record["error"] = words
    if isinstance(problem, TrialFileError):
        screen.record["faults"] = [
            {"where": f.where, "what": f.what, "remedy": f.remedy} for f in problem.faults
        ]
    _complain(words)
    return screen.finish(code)


_NO_ROOM = {errno.ENOSPC, errno.EFBIG, getattr(errno, "EDQUOT", errno.ENOSPC)}
_NOT_ALLOWED = {errno.EACCES, errno.EPERM, errno.EROFS}


def _about_file(problem: OSError) -> str:
    """Say which file it is about, what is wrong, and what to do."""
    place = str(problem.filename) if problem.filename else str(message("cli.some_file"))
    words = f"{place}: {problem.strerror or problem}"
    if problem.errno in _NO_ROOM:
        return f"{words} → {message('cli.no_room')}"
    return f"{words} → {message('cli.not_allowed')}" if problem.errno in _NOT_ALLOWED else words


def _complain(words: str) -> None:
    from rich.console import Console
    from rich.text import Text

    Console(stderr=True, highlight=False, soft_wrap=not sys.stderr.isatty()).print(
        Text(visible(words), style="red")
    )


def trial_folder(folder: Path) -> Path:
    """Give the folder of a trial, or refuse what is none as wrong usage."""
    if folder.is_file():
        folder = folder.parent
    if not folder.is_dir():
        raise typer.BadParameter(f"there is no folder {folder}{_meant(folder)}", param_hint="DIR")
    if not (folder / "trial.toml").is_file():
        raise typer.BadParameter(
            f"{folder} holds no trial.toml; {_instead(folder)}",
            param_hint="DIR",
        )
    return folder


#: Most trials beside or within a folder that are named.
_MOST_NAMED = 6


def _meant(path: Path) -> str:
    """Name the trial file or the folders of trials that a misspelt path may mean."""
    beside = path.parent
    if path.suffix and (beside / "trial.toml").is_file():
        return f"; did you mean {quoted(beside / 'trial.toml')}?"
    trials = _trials_in(beside)
    near = difflib.get_close_matches(path.name, [one.name for one in trials], n=1)
    named = [one for one in trials if one.name in near]
    if named:
        return f"; did you mean {_listed(named, 'or')}?"
    return f"; there are trials in {_listed(trials, 'and')}" if trials else ""


def _instead(folder: Path) -> str:
    """Name the trial around a folder or those within it; else how to begin one."""
    for above in folder.resolve().parents:
        if (above / "trial.toml").is_file():
            return f"the trial around it is {quoted(above)}"
    within = _trials_in(folder)
    if within:
        return f"did you mean {_listed(within, 'or')}?"
    return f"begin one with: trialkit new {quoted(folder)}"


def _trials_in(folder: Path) -> list[Path]:
    """List the folders of trials right within a folder."""
    try:
        return sorted(one.parent for one in folder.glob("*/trial.toml"))
    except OSError:
        return []


def _listed(folders: list[Path], last: str) -> str:
    names = [str(quoted(one)) for one in folders[:_MOST_NAMED]]
    return ", ".join(names[:-1]) + (f" {last} " if names[:-1] else "") + names[-1]
