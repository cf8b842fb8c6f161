"""Everything that touches a disk: errors, atomic writes, pictures read safely."""
