"""The nightly work, without a scheduler: ingest what is new, rebuild each day whose catalogue is stale."""
