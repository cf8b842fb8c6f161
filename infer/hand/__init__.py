"""The hand of one scroll: its own letters, labelled by the text, help to read its others."""
