"""The review page: a local server, the decisions it keeps, and what goes out of them.

Every decision is on disk before the next letter shows.
"""
