"""One module per operation: what it takes, the call into the core, what it gives back."""
