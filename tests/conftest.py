"""How the tests are divided over processes (`pytest -n 2`)."""

import pytest

collect_ignore = ["seventh.py"]  # a script: it changes the schema of the process that runs it

TOGETHER = {
    "tests/reports/test_run.py": "demo report",
    "tests/reports/test_page.py": "demo report",
    "tests/reports/test_manuscript.py": "series",
    "tests/reports/test_poster.py": "series",
    "tests/reports/test_prose.py": "series",
    "tests/reports/test_sharing.py": "series",
}
"""Files that share what is costly to build: one process runs them."""


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config, log):
    """Every file goes to one process, so that what its fixtures build is built once.

    Not by marks of groups: pytest 9.2 no longer shows xdist 3.8 the names they are written into.
    """
    from xdist.scheduler import LoadScopeScheduling

    class ByFile(LoadScopeScheduling):
        def _split_scope(self, nodeid: str) -> str:
            file = nodeid.split("::")[0]
            return TOGETHER.get(file, file)

    return ByFile(config, log)
