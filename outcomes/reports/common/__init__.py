"""Sentences that several reports say."""
