"""The desk: a stack of pictures from dropping them to sheets and review, on one local page.

A stack is a folder: pictures anywhere below it, `run/` with what was found, and `desk/` with names,
sides and choices. Everything is on disk at once, so the page may be stopped and started anywhere.
"""
