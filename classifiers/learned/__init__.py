"""The learned classifier: windows of ten cycles to named features to classes with calibrated probabilities."""
