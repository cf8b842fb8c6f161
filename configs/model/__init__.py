"""Hydra configuration: configs/model."""
