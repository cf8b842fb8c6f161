"""Hydra configuration: configs/trainer."""
