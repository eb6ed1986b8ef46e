"""Captures to files."""
