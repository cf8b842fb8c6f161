"""datasets/page"""
