"""Hydra group `hparams`: sizes and rates that were tried and kept, laid over the model.

Chosen with a plus sign: `crownlet-train model=assessor +hparams=wide_assessor`.
"""
