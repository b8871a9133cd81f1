"""The audit of a practice."""
