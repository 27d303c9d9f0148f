"""A process of its own that reads a workbook and writes its cells as JSON.

It is started as a script: bytes of the workbook on its input, bytes of memory as its argument.
What a damaged or hostile workbook does to the reader ends this process, not the one that asked.
"""

import io
import json
import sys


def main() -> None:
    """Read the workbook; write one list ``[name, rows]`` a sheet, or ``{"refused": why}``."""
    most = int(sys.argv[1])
    try:
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (most, most))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    except (ImportError, ValueError, OSError):  # systems without such limits
        pass
    from python_calamine import CalamineWorkbook

    data = sys.stdin.buffer.read()
    book = CalamineWorkbook.from_filelike(io.BytesIO(data))
    out = []
    for name in book.sheet_names:
        rows = book.get_sheet_by_name(name).to_python(skip_empty_area=False)
        while rows and not any(cell != "" for cell in rows[-1]):
            rows.pop()
        out.append([name, [[_plain(cell) for cell in row] for row in rows]])
    text = json.dumps(out)
    sys.stdout.write(text)
    sys.stdout.flush()


def _plain(cell: object) -> object:
    """Write a cell as JSON can hold it: a date, a time or a span as its kind and its parts."""
    if cell is None or isinstance(cell, (str, bool, float, int)):
        return cell
    if hasattr(cell, "total_seconds"):
        return ["span", cell.total_seconds()]
    return [type(cell).__name__, cell.isoformat()]  # type: ignore[attr-defined]


if __name__ == "__main__":
    main()
