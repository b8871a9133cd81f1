"""Sheets to print for one patient: plans, what to expect of them, and what to look at."""
