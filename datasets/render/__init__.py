"""Pages drawn from nothing: letterforms, defects, page."""
