"""infer/demo"""
