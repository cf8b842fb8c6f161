"""Whether new pages look like what the networks know, before their numbers are believed.

Sketches of pages are compared with those kept beside the networks; nothing here needs labels.
"""
