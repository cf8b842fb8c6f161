"""Hydra group `job`: what `crownlet-train` can do, each with the function that does it.

Chosen as `crownlet-train job=export`.
"""
