"""Domain to resources: the answer's Bundle and everything in it."""
