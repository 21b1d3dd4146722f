"""A bulk export in, flags for a whole population out: by one machine or by a cluster."""
