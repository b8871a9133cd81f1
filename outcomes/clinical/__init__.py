"""What was achieved, tooth by tooth and patient by patient."""
