"""models/weights"""
