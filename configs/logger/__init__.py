"""Hydra group `logger`: where the metrics of a run go, each logger by its class."""
