"""Arrays of samples in, electrical quantities out."""
