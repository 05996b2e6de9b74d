"""A demo library of one's own to publish from, and the report on PB-03 made once."""

import shutil

import pytest

from store import Library
from store.publish import draft_of, gather_report


@pytest.fixture(scope="session")
def published(demo_library, tmp_path_factory):
    """A copy of the demo library: issuing reports writes into it."""
    path = tmp_path_factory.mktemp("publish") / "survey-store"
    shutil.copytree(demo_library, path)
    return Library.open(path, who="tester")


@pytest.fixture(scope="session")
def content(published):
    """What a report on PB-03 says."""
    return gather_report(published, ["PB-03"], opinions=["It is slim."])


@pytest.fixture(scope="session")
def drawings(content):
    """SVG of every plot of it."""
    from store.publish.content import plots_of
    from tui.render.pages.figures import draw_svg

    return {plot.id: draw_svg(plot) for plot in plots_of(content)}


@pytest.fixture(scope="session")
def page(content, drawings):
    """The page as HTML."""
    from tui.render.pages.html import as_html

    return as_html(draft_of(content), drawings)
