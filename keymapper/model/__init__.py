"""Frozen nouns and their units: what the stages hand to each other."""
