"""From probabilities to clear, review or finding; the rows of the tables."""
