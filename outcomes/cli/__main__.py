"""``python -m outcomes.cli``."""

from outcomes.cli import main

main()
