"""The size of a study."""
