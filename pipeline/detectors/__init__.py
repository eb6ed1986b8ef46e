"""Series in, findings out: RMS variations, transients, slow changes, limits; the registry of detectors."""
