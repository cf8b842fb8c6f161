"""The survey: defect rates of sources compared, with the scroll as the independent unit.

Estimators, intervals, contrasts, plans and the report.
"""
