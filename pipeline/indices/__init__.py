"""Indices of events: how often, how deep, how bad; from the catalogue's rows alone."""
