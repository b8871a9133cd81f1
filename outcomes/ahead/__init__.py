"""The coming course: what is left, what to expect of it, and what to hold."""
