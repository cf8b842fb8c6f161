"""Hydra configuration: configs/customs."""
