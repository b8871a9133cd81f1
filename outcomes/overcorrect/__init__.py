"""Aims, factors, plans, and whether plans would have landed."""
