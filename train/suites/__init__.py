"""train/suites"""
