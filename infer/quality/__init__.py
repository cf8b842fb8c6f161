"""What the picture shows well enough: resolution, edges, light; and what is unlike known letters.

`measures` and `blur` measure every letter, `legibility` compares the measures with what each group
of defects needs, `familiarity` compares widths and shapes with the usual. Arrays only, no networks.
"""
