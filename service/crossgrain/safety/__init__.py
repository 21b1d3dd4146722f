"""Findings and the rules that raise them. Pure: imports `dosing` and the standard library."""
