"""A published table from desiccated thyroid to LT4, as printed."""

HANDOUT = [(30, 25, 88), (60, 88, 112), (90, 112, 175), (125, 175, 300)]
"""mg desiccated, then the range of LT4 in µg: a handout, 'Switching Desiccated Thyroid to
Levothyroxine', publisher not shown (secondary)."""
