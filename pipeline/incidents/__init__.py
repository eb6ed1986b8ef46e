"""The fleet as one instrument: which events of many recorders were one incident, whose clock is off, where it began.

Pure functions on tables of events: what they give depends on the events alone, in whatever order and portions
they came.
"""
