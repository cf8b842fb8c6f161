"""Hydra configuration: configs/data."""
