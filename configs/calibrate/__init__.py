"""Hydra configuration: configs/calibrate."""
