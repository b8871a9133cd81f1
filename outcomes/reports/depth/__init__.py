"""The rates in depth."""
