"""Drawn fleets: recorders on a solved network, faults, storms and reclosing, clocks, and the truth of it all."""
