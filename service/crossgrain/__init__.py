"""Crossgrain: proposals for moving a patient between thyroid hormone preparations.

Re-exports nothing, so that importing a pure room pulls in no framework.
"""
