"""Settings as Hydra groups, customs as documented YAML, and the pinned versions.

Read as `pkg://crownlet.configs`; a folder is a group, a file in it a choice.
"""
