"""Hydra configuration: configs/augment."""
