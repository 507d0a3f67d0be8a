"""Measurements and instruments for people: text, tables, JSON, CSV."""
