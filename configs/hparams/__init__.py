"""Hydra group `hparams`: sizes of networks that were measured, in place of those of the model.

Chosen with a plus sign: `crownlet-train model=assessor +hparams=narrow_assessor`.
"""
