"""Customs: what a tradition expects where the sources leave room.

`unspecified.yaml` documents every setting, its values and sources; the default flags neither of two
accepted forms.
"""
