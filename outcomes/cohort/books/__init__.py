"""Workbooks in four formats: their cells, and what a fast reader does not tell of them."""
