"""Hydra group `model`: sizes and heads of the locator and the assessor.

One file a network; the names of defects and letters come from `crownlet.datasets`.
"""
