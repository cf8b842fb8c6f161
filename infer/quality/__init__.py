"""What the picture can carry: resolution, edges, light; what is unlike the letters known.

Measures of every letter (measures, edges, light), the needs they are held against (needs), and how
wide and how familiar each letter is (usual, unfamiliar). Arrays only, no networks.
"""
