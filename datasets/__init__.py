"""What is written and how it is drawn: letters, texts, defects, pages, labels.

The alphabet, texts, catalogue and customs are plain data and import nothing heavy; the drawing of
letters and pages needs the extra `train`.
"""
