"""Notebooks run unattended: kernel, page, place, provenance, what a cell shows."""
