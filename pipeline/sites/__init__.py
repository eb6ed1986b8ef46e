"""What is declared or inferred about a site: nominal values, hookup, channels, wiring."""
