"""Whole pages: lines, spacing, skin, ink and camera, with their truth.

`compose` sets a text in a hand on a page; `truth` is the record that training and tests read.
"""
