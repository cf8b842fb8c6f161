"""Hydra group `calibrate`: how probabilities are calibrated and routes chosen.

Uses a split of hands of its own, which neither training nor the suites see.
"""
