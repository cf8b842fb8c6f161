"""Labelled scans as a versioned data set: a folder of pictures, labels and a manifest.

`manifest` holds what the folder contains and gives its pages, `add` brings scans in, `check` lists
wrong records.
"""
