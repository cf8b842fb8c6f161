"""What is fitted after training: temperatures, gaps, familiarity, drift reference."""
