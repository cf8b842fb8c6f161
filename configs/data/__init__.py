"""Hydra group `data`: what a training reads.

Renders made on the fly, labelled scans in COCO, and the ratio in which they are mixed.
"""
