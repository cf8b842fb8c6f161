"""datasets/defects"""
