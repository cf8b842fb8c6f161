"""Labelled scans as a versioned data set: a folder of pictures, labels and a manifest.

`manifest` is what the folder holds, `reading` gives its pages, `checking` names what is wrong.
"""
