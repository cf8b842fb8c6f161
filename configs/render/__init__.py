"""Hydra configuration: configs/render."""
