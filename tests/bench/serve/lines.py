"""How a cost grows: the nearest straight line, and whether it is one."""

from collections.abc import Sequence


def slope(points: Sequence[tuple[int, float]]) -> tuple[float, float]:
    """The straight line nearest to some points by least squares: its slope, its start."""
    n = len(points)
    middle_x, middle_y = sum(x for x, _ in points) / n, sum(y for _, y in points) / n
    spread = sum((x - middle_x) ** 2 for x, _ in points)
    if not spread:
        return 0.0, middle_y
    steep = sum((x - middle_x) * (y - middle_y) for x, y in points) / spread
    return steep, middle_y - steep * middle_x


def steepening(costs: Sequence[tuple[int, float]]) -> float | None:
    """What a resource costs in the upper half of three sizes over what it costs in the lower."""
    if len(costs) != 3:
        return None
    (a, cost_a), (b, cost_b), (c, cost_c) = costs
    return ((cost_c - cost_b) / (c - b)) / ((cost_b - cost_a) / (b - a))
