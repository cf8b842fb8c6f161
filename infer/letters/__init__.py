"""All that is learned about letters: scale estimation, the locator, the assessor."""
