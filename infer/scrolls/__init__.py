"""Pages gathered into scrolls: face beside reverse, first lines beside last, and notes on mix-ups.

One scroll is one object, whatever the number of its pictures.
"""
