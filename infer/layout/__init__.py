"""Lines, gaps between letters, and what the frame of the picture cuts."""
