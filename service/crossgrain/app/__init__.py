"""One application: every route and setting put together, and what it says of itself."""
