"""What the trade knows: alphabet, texts, Pentateuch, defect catalogue, customs, Divine Names."""
