"""The coming course: what this patient's own teeth have shown, and what to expect next."""
