"""Hydra group `experiment`: whole configurations of what was tried, each laid over `train`.

Chosen with a plus sign: `crownlet-train +experiment=retrain`.
"""
