"""Partitions by site and UTC day, whole files, the lock, manifests."""
