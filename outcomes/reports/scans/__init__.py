"""The report of what was measured from scans or landmarks."""
