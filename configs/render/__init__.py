"""Hydra group `render`: which pages `crownlet-render` makes.

Text, hands, sizes, resolution, defects and their frequency, seeds and number of pages.
"""
