"""What deserves a look, as one ordered list: from letters, whites, text and layout of a page.

Headings come from the catalogue's sources and the user's customs; nothing here rules.
"""
