"""Quantities in intervals of the clock, their certificate, and compliance with limits."""
