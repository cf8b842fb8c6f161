"""The demo: sample scrolls of an invented survey and what is shown of them.

Scrolls are made by our own generator; scribes, sources and findings in them are invented.
"""
