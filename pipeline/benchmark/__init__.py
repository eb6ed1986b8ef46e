"""Suites of drawn cases, contenders, scores and results."""
