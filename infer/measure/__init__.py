"""Lengths on the ink: levels, gaps, lengths and heights of a letter's parts in kulmus and mm.

Measured on part masks and ink, beside the networks; letters on which the two disagree go to review.
"""
