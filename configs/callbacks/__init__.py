"""Hydra group `callbacks`: what happens beside the steps of a run, each by its class.

One more on the command line: `+callbacks.NAME._target_=pytorch_lightning.callbacks.Timer`.
"""
