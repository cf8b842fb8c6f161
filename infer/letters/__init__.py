"""What the networks find: the scale of the writing, each letter, its class and its defects."""
