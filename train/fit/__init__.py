"""Training of the two networks: Lightning modules, data, reservoirs, targets."""
