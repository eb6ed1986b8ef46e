"""The only place that knows Prefect: the nightly flow, and the temporary server it runs on where there is no other."""
