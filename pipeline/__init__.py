"""Data in, data out: from recordings to measures, events, catalogues and reports."""
