"""infer"""
