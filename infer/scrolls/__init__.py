"""Pages gathered into scrolls: face beside reverse, first lines beside last, and mix-ups told.

One scroll is one object, whatever the number of its pictures.
"""
