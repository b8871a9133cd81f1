"""Factors, validation and plans."""
