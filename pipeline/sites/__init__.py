"""The account of a site: what is known of how its recorder is connected."""
