"""Labelled scans as a versioned data set: a folder of pictures, labels and a manifest.

`manifest` holds what the folder contains and gives its pages, `add` brings scans in, `change` takes
them out or moves them between splits, `check` lists wrong records.
"""
