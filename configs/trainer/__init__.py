"""Hydra group `trainer`: where and how long a training runs.

One file a machine: device, precision, steps, logging; handed to Lightning's Trainer.
"""
