"""What holds for every test."""

import gc
import pickle

import pytest
from hypothesis import settings

from tests import kept_demo
from trialkit.design.points import draw

# The same draws in every run, so that a change is judged by the cases it was made with;
# `--hypothesis-profile=fresh` draws anew.
settings.register_profile("same", derandomize=True)
settings.register_profile("fresh", derandomize=False)
settings.load_profile("same")


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items):
    """Let one worker run a file's tests, so that what they share is made once; slow ones go apart.

    A slow test takes so long by itself that a file of them would be waited for at the end.
    """
    for item in items:
        if not any(item.iter_markers("xdist_group")) and not item.get_closest_marker("slow"):
            item.add_marker(pytest.mark.xdist_group(item.nodeid.partition("::")[0]))


def pytest_collection_finish():
    """Read the demo once; leave what was imported out of each sweep for unused objects.

    Some hundred thousand objects of libraries and tests live to the end of the run; looking
    through them again and again took about a tenth of the processor's time.
    """
    kept_demo.keep()
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 20, 50)


class _Searched:
    """Searches for the points of a plan that were done in this run, by all that they depend on."""

    def __init__(self, search):
        self.search, self.kept = search, {}

    def __call__(self, *given, tick=None, allowed=None, **options):
        if allowed is not None:  # a function: what it would say is not known
            return self.search(*given, tick=tick, allowed=allowed, **options)
        key = pickle.dumps((given, sorted(options.items())))
        if key not in self.kept:
            self.kept[key] = self.search(*given, tick=tick, **options)
        elif tick is not None:
            for _ in range(self.kept[key].starts):
                tick()
        return self.kept[key]


@pytest.fixture(scope="session", autouse=True)
def searched():
    """Search for one plan of ranges once, though many tests draw it; it takes seconds.

    A test of the search itself, or of its being the same again, empties what is kept.
    """
    with pytest.MonkeyPatch.context() as patch:
        memory = _Searched(draw.find_points)
        patch.setattr(draw, "find_points", memory)
        yield memory.kept


def pytest_sessionfinish(session):
    """Fail where a test or what it tests has changed a table that all share."""
    if not kept_demo.unchanged():
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
        raise AssertionError("a table of the demo was changed in place: see tests/kept_demo.py")
