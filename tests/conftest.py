"""How the tests are divided over processes (`pytest -n 2 --dist loadgroup`)."""

import pytest

collect_ignore = ["seventh.py"]  # a script: it changes the schema of the process that runs it

TOGETHER = {
    "tests/report/test_run.py": "demo report",
    "tests/report/test_page.py": "demo report",
    "tests/report/test_manuscript.py": "series",
    "tests/report/test_poster.py": "series",
    "tests/report/test_prose.py": "series",
    "tests/report/test_sharing.py": "series",
}
"""Files that share what is costly to build: one process runs them."""


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Every file goes to one process, so that what its fixtures build is built once."""
    if config.pluginmanager.hasplugin("xdist"):
        for item in items:
            file = item.nodeid.split("::")[0]
            item.add_marker(pytest.mark.xdist_group(TOGETHER.get(file, file)))
