"""Hydra configuration: configs."""
