"""datasets/letterforms"""
