"""The command line: it parses, calls and prints; everything else is in the package."""

from outcomes.cli import ahead, clicking, measure, records, reports, sharing
from outcomes.cli.app import app

__all__ = ["ahead", "app", "clicking", "main", "measure", "records", "reports", "sharing"]


def main() -> None:
    """Entry point of the ``outcomes`` command."""
    app()
