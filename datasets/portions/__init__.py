"""datasets/portions"""
