"""The command line: it parses, calls and prints; everything else is in the package."""

from outcomes.cli import records, reports
from outcomes.cli.app import app

__all__ = ["app", "main", "records", "reports"]


def main() -> None:
    """Entry point of the ``outcomes`` command."""
    app()
