"""Hydra group `augment`: what skin, ink and camera do to a clean page.

One file a strength; ranges are drawn from page by page with the page's seed.
"""
