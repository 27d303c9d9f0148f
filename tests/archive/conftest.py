"""R, where it is on the machine."""

import shutil
import subprocess

import pytest

PACKAGES = ("lme4", "lmerTest", "pbkrtest", "emmeans")


def r_is_ready():
    if shutil.which("Rscript") is None:
        return False
    asked = f"for (p in c{PACKAGES}) stopifnot(requireNamespace(p, quietly = TRUE))"
    return subprocess.run(["Rscript", "-e", asked], capture_output=True).returncode == 0


@pytest.fixture(scope="session")
def rscript():
    """Run a script; left out with the reason where R is not there."""
    if not r_is_ready():
        pytest.skip(f"Rscript with {', '.join(PACKAGES)} is not on this machine")

    def run(script):
        return subprocess.run(["Rscript", str(script)], capture_output=True, text=True, timeout=600)

    return run
