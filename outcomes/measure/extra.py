"""The heavy libraries of the scans: an extra of the installation, imported where they are used."""

from __future__ import annotations

from importlib import import_module
from typing import Any

from outcomes.errors import CannotAnswer


class ExtraMissing(CannotAnswer, ImportError):
    """A library of an extra is not installed; the message is the line to type."""


#: How to install what scans need.
INSTALL = "pip install 'outcomes[scans]'"


def need(module: str) -> Any:
    """Import a library of the extra ``outcomes[scans]``.

    Parameters
    ----------
    module
        Its name, as in ``import``.

    Raises
    ------
    ExtraMissing
        If it is not installed; the message names the line to type.

    Examples
    --------
    >>> need("no_such_library")
    Traceback (most recent call last):
    ...
    outcomes.measure.extra.ExtraMissing: Scans need no_such_library, which is not installed: pip install 'outcomes[scans]'
    """
    try:
        return import_module(module)
    except ImportError as error:
        raise ExtraMissing(
            f"Scans need {module.split('.')[0]}, which is not installed: {INSTALL}"
        ) from error
