"""Pictures made ready for the networks: flattened, rotated, cropped."""
