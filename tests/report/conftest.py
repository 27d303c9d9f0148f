"""Trials made once for all tests of the report; browser tests only where a browser is."""

import os
import shutil

import pytest

from tests.report.folders import HOSTILE, make_farm, make_field


def find_chromium():
    """Find a Chromium on this machine; None where there is none."""
    names = ("chromium", "chromium-browser", "google-chrome", "chrome")
    given = os.environ.get("TRIALKIT_CHROMIUM")
    return given or next(filter(None, map(shutil.which, names)), None)


def pytest_collection_modifyitems(config, items):
    """Leave the browser's tests out of the run on a machine without a browser."""
    if find_chromium() is None:
        gone = [item for item in items if item.get_closest_marker("browser")]
        items[:] = [item for item in items if item not in gone]
        config.hook.pytest_deselected(items=gone)


@pytest.fixture(scope="session")
def chromium():
    return find_chromium()


@pytest.fixture(scope="session")
def farm(tmp_path_factory):
    """Make a farm whose title and one unit code are as hostile as a file can make them."""
    return make_farm(tmp_path_factory.mktemp("farm"), title=HOSTILE, note=HOSTILE)


@pytest.fixture(scope="session")
def farm_page(farm, tmp_path_factory):
    path = tmp_path_factory.mktemp("page") / "report.html"
    farm.report(path)
    return path


@pytest.fixture(scope="session")
def field(tmp_path_factory):
    return make_field(tmp_path_factory.mktemp("field"))


@pytest.fixture(scope="session")
def field_page(field, tmp_path_factory):
    path = tmp_path_factory.mktemp("page") / "field.html"
    field.report(path)
    return path
