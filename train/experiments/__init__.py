"""Experiments that are repeated by one command, with their numbers."""
