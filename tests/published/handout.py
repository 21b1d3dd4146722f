"""A published table from desiccated thyroid to LT4, as printed."""

HANDOUT = [(30, 25, 88), (60, 88, 112), (90, 112, 175), (125, 175, 300)]
"""mg desiccated, then the range of LT4 in µg: a handout, 'Switching Desiccated Thyroid to
Levothyroxine', publisher not shown (secondary)."""
HANDOUTS_DOSES = [(30, 50), (60, 100), (90, 150), (125, 200)]
"""mg desiccated, then the one dose of LT4 that the same handout names; the last is rounded."""
