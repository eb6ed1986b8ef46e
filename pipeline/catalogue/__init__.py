"""From a record to its events, their causes, and tables of them."""
