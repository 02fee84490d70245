"""The school and its page that several files of tests begin with.

The page's libraries are loaded only where a test asks for it: this file is read at every start.
"""

import pytest


@pytest.fixture(scope="session")
def rehearsed(tmp_path_factory):
    """The folder of a run of three days, for tests that only read."""
    from tests.schools import rehearse_days

    return rehearse_days(tmp_path_factory.mktemp("rehearsed"))


@pytest.fixture(scope="session")
def reader(rehearsed):
    """A browser of somebody who only reads that run."""
    from tests.page_server import make_site
    from tests.schools import client_of

    return client_of(make_site(rehearsed))


@pytest.fixture
def school(tmp_path):
    """A small run of its own, to write into: a leak stopped the water and two steps are due."""
    from tests.schools import make_school

    return make_school(tmp_path)
