"""Where the notebooks, shared files and demo cohorts are: beside the package, or inside the wheel."""

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
