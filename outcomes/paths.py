"""Where the notebooks, shared files and demo cohorts are, and what versions are installed."""

import platform
from collections.abc import Iterable
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent


def data_path(*parts: str) -> Path:
    """Path of a file that travels with the package.

    Parameters
    ----------
    *parts
        Path parts below the project's top level, the first of them ``"notebooks"``,
        ``"shared"`` or ``"synthetic_data"``.

    Raises
    ------
    FileNotFoundError
        If neither a checkout nor the installed package holds it.

    Examples
    --------
    >>> data_path("shared", "cautions.md").name
    'cautions.md'
    """
    for root in (_PACKAGE / "_data", _PACKAGE.parent):
        path = root.joinpath(*parts)
        if path.exists():
            return path
    raise FileNotFoundError(
        f"{'/'.join(parts)} is neither beside the package nor inside it: reinstall outcomes."
    )


def versions(packages: Iterable[str]) -> dict[str, str]:
    """Versions of Python and of the packages a result depends on.

    Returns
    -------
    dict
        Package name to version; ``"not installed"`` where there is none.

    Examples
    --------
    >>> versions(["outcomes"])["outcomes"].count(".")
    2
    """
    found = {"python": platform.python_version()}
    for name in packages:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "not installed"
    return found
