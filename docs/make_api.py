"""Build the API reference from the docstrings: python docs/make_api.py [folder]."""

import sys
import warnings
from pathlib import Path
from pkgutil import iter_modules

import pdoc
import pdoc.render

import trialkit


def main(folder: Path) -> None:
    """Write one page per public module; any warning stops the build."""
    warnings.simplefilter("error")
    parts = [found.name for found in iter_modules(trialkit.__path__, "trialkit.")]
    modules = ["trialkit", *(name for name in parts if not name.split(".")[1].startswith("_"))]
    pdoc.render.configure(docformat="numpy", footer_text=f"trialkit {trialkit.__version__}")
    pdoc.pdoc(*modules, output_directory=folder)


if __name__ == "__main__":
    main(Path(sys.argv[1] if len(sys.argv) > 1 else "site"))
