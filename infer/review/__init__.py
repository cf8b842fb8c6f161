"""The review page: a local server, the store of its decisions, and their export.

Every decision is on disk before the next letter shows.
"""
