"""The results that the plan and the safety rules look at, in range."""

from random import Random

from .shapes import Chart, quantity


def tsh(chart: Chart, rng: Random, ago: int) -> None:
    """A TSH in range."""
    value = quantity(round(rng.uniform(0.6, 3.8), 2), "mIU/L", "m[IU]/L")
    chart.measured("3016-3", "Thyrotropin in Serum or Plasma", value, ago, (0.4, 4.0))


def free_t4(chart: Chart, rng: Random, ago: int) -> None:
    """A free T4 in range."""
    value = quantity(round(rng.uniform(0.8, 1.6), 2), "ng/dL", "ng/dL")
    chart.measured("3024-7", "Thyroxine (T4) free in Serum or Plasma", value, ago, (0.8, 1.8))


def heart_rate(chart: Chart, rng: Random, ago: int) -> None:
    """A quiet heart."""
    chart.measured("8867-4", "Heart rate", quantity(rng.randint(56, 92), "/min", "/min"), ago)


def weight(chart: Chart, rng: Random, ago: int) -> None:
    """A weight."""
    value = quantity(round(rng.uniform(48, 118), 1), "kg", "kg")
    chart.measured("29463-7", "Body weight", value, ago)
