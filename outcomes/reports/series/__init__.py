"""A case series: paper, poster, slides."""
