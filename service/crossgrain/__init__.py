"""Crossgrain: proposals for moving a patient between thyroid hormone preparations.

Re-exports nothing, so that importing a pure room pulls in no framework.
"""

__version__ = "0.1.0"
