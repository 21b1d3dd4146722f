"""The predicates, one per rule, split by what they look at."""
