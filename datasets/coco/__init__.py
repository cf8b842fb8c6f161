"""The truth about a page, written to and read from COCO."""
