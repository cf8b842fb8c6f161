"""The folder of a run: every file name and column, written and read back.

The triage sheet, the review page and the survey start from here, never from the networks.
"""
