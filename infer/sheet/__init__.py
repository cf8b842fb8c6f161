"""The triage sheet of a scroll and the teaching sheet of a defect, as self-contained HTML.

They point and show; they never rule, and veil the Divine Name in print.
"""
