"""The account of a site: what its recorder is and how it is connected, declared or drafted from evidence."""
