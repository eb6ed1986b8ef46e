"""How sure the numbers of an event are: noise, level, edges, decisions; from arrays to standard uncertainties.

Words as in the GUM (JCGM 100): standard uncertainty u, coverage factor k, expanded uncertainty U = k u.
"""
