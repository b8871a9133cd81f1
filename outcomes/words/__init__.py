"""How values, counts and lists are written for people."""
