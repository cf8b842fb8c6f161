"""The subcommands of `crownlet`, one a file: each adds its own arguments and says its own errors.

`cli.py` gathers them and turns their results into exit codes.
"""
